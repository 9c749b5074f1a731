"""How far a tester's eye can be trusted: kappa for graded claims, bias and limits of agreement for numbers, drift over
time, and the level at which the eye begins to see. SciPy does the distributions and the line; the rest is short.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Weights = Literal["none", "linear", "quadratic"]

MIN_PAIRS = 10
"""Below this many pairs nothing is said of a tester: judged; with 10, an interval for kappa is about one unit wide."""

LANDIS_KOCH = (
    (0.0, "poor"),
    (0.2, "slight"),
    (0.4, "fair"),
    (0.6, "moderate"),
    (0.8, "substantial"),
    (math.inf, "almost perfect"),
)
"""Upper ends of the words for kappa, Landis & Koch, Biometrics 33, 1977 (from memory)."""

LAPSE_RATE = 0.05
"""Share of plain slips (wrong key, wrong jar) that the seeing threshold allows for; judged."""


class TooFewError(ValueError):
    """Too few pairs, or all alike: no statistic rather than a meaningless one."""


@dataclass(frozen=True)
class Interval:
    """An estimate with its standard error and confidence limits; `n` pairs behind it."""

    value: float
    se: float
    low: float
    high: float
    n: int


@dataclass(frozen=True)
class LimitsOfAgreement:
    """Bland and Altman: note minus photo. `bias` with its interval, `s` of the differences, limits bias ± 1.96 s, each
    limit with its own interval."""

    bias: Interval
    s: float
    lower: Interval
    upper: Interval


# -- graded claims ---------------------------------------------------------------------------------------------------


def disagreement_weights(size: int, weights: Weights) -> NDArray[np.float64]:
    """(size, size) weights: 0 on the diagonal; off it 1, |i-j|, or (i-j)^2, scaled to 1 at the far corner."""
    i, j = np.indices((size, size))
    if weights == "none":
        return np.asarray(i != j, dtype=np.float64)
    far = max(size - 1, 1)
    return np.asarray((np.abs(i - j) / far) ** (1 if weights == "linear" else 2), dtype=np.float64)


def cross_table(first: Sequence[str], second: Sequence[str], states: Sequence[str]) -> NDArray[np.int64]:
    """(k, k) counts of pairs, rows the first rater. Raises ValueError for unequal lengths or an unknown state."""
    if len(first) != len(second):
        raise ValueError("two raters need one state each for every case")
    table = np.zeros((len(states), len(states)), dtype=np.int64)
    for one, other in zip(first, second, strict=True):
        table[list(states).index(one), list(states).index(other)] += 1
    return table


def kappa(
    table: NDArray[np.int64] | Sequence[Sequence[int]], weights: Weights = "quadratic", confidence: float = 0.95
) -> Interval:
    """Cohen's kappa of a square table of counts, 1 - (observed / expected weighted disagreement), with its large-sample
    standard error (Fleiss, Cohen & Everitt, Psychological Bulletin 72, 1969) and interval.

    Cohen 1960 without weights, Cohen 1968 with. Raises TooFewError where fewer than two cases or only one state occur:
    agreement beyond chance is then undefined.
    """
    from scipy.stats import norm

    counts = np.asarray(table, dtype=float)
    n = counts.sum()
    if n < 2:
        raise TooFewError("kappa needs at least two cases")
    agreement = 1 - disagreement_weights(len(counts), weights)
    p = counts / n
    rows, columns = p.sum(axis=1), p.sum(axis=0)
    observed, expected = float((agreement * p).sum()), float(rows @ agreement @ columns)
    if math.isclose(expected, 1.0):
        raise TooFewError("only one state occurs, so agreement beyond chance is undefined")
    value = (observed - expected) / (1 - expected)
    mean_weights = (agreement @ columns)[:, None] + (agreement.T @ rows)[None, :]
    inner = (p * (agreement - mean_weights * (1 - value)) ** 2).sum() - (value - expected * (1 - value)) ** 2
    se = math.sqrt(max(inner, 0.0) / n) / (1 - expected)
    reach = float(norm.ppf(0.5 + confidence / 2)) * se
    return Interval(value, se, max(value - reach, -1.0), min(value + reach, 1.0), int(n))


def kappa_word(value: float) -> str:
    """Landis and Koch's word for a kappa."""
    return next(word for upper, word in LANDIS_KOCH if value < upper or (value <= upper and upper > 0))


# -- numbers ---------------------------------------------------------------------------------------------------------


def limits_of_agreement(differences: Sequence[float], confidence: float = 0.95) -> LimitsOfAgreement:
    """Bias and 95 % limits of agreement of paired differences (note minus photo, one unit).

    d +- 1.96 s; intervals by t with n - 1; standard error of a limit sqrt(3 s^2 / n) (Bland & Altman, Lancet 1986).
    Raises TooFewError below three pairs.
    """
    from scipy.stats import t

    d = np.asarray(differences, dtype=float)
    n = len(d)
    if n < 3:
        raise TooFewError("limits of agreement need at least three pairs")
    mean, s = float(d.mean()), float(d.std(ddof=1))
    quantile = float(t.ppf(0.5 + confidence / 2, n - 1))

    def around(value: float, se: float) -> Interval:
        return Interval(value, se, value - quantile * se, value + quantile * se, n)

    limit_se = math.sqrt(3 * s**2 / n)
    return LimitsOfAgreement(
        around(mean, s / math.sqrt(n)), s, around(mean - 1.96 * s, limit_se), around(mean + 1.96 * s, limit_se)
    )


def bias_between(first: Sequence[float], second: Sequence[float], confidence: float = 0.95) -> Interval:
    """Mean of the first tester's differences (note minus photo) less that of the second's, with its interval by Welch's
    t (Biometrika 34, 1947, from memory), which does not ask for equal spreads.

    Raises TooFewError below three pairs on either side.
    """
    from scipy.stats import t

    one, other = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    if min(len(one), len(other)) < 3:
        raise TooFewError("comparing two testers needs at least three pairs of each")
    parts = np.array([one.var(ddof=1) / len(one), other.var(ddof=1) / len(other)])
    if not parts.sum() > 0:
        raise TooFewError("no spread at all, so nothing to judge a difference by")
    value, se = float(one.mean() - other.mean()), math.sqrt(parts.sum())
    freedom = parts.sum() ** 2 / float((parts**2 / np.array([len(one) - 1, len(other) - 1])).sum())
    reach = float(t.ppf(0.5 + confidence / 2, freedom)) * se
    return Interval(value, se, value - reach, value + reach, len(one) + len(other))


def drift(days: Sequence[float], differences: Sequence[float], confidence: float = 0.95) -> Interval:
    """Slope of note minus photo against time (per day) by least squares, with its interval by t with n - 2.

    Raises TooFewError below three pairs or where all were made at one time.
    """
    from scipy.stats import linregress, t

    if len(days) < 3 or len(set(days)) < 2:
        raise TooFewError("a drift needs at least three pairs at different times")
    if len(set(differences)) == 1:
        return Interval(0.0, 0.0, 0.0, 0.0, len(days))  # no spread: SciPy's standard error is not a number
    line = linregress(days, differences)
    reach = float(t.ppf(0.5 + confidence / 2, len(days) - 2)) * float(line.stderr)
    return Interval(
        float(line.slope), float(line.stderr), float(line.slope) - reach, float(line.slope) + reach, len(days)
    )


# -- the level at which the eye begins to see ------------------------------------------------------------------------


def seeing_threshold(measured: Sequence[float], seen: Sequence[bool], lapse: float = LAPSE_RATE) -> Interval:
    """Level of a measured quantity (larger = more) above which the tester reports it.

    Model: seen with probability 1 - lapse above the threshold, lapse below. Value: middle of the most likely
    thresholds; limits: thresholds whose log-likelihood lies within 1.92 of the best (95 % by likelihood ratio, chi2
    with one degree). `se` is a quarter of the interval. Raises TooFewError unless both answers occur.
    """
    x, y = np.asarray(measured, dtype=float), np.asarray(seen, dtype=bool)
    if y.all() or not y.any():
        raise TooFewError("the tester must have seen it at least once and not seen it at least once")
    levels = np.unique(x)
    if len(levels) < 2:
        raise TooFewError("all looks were at one level, so no threshold lies between")
    candidates = np.concatenate([[levels[0]], (levels[1:] + levels[:-1]) / 2, [levels[-1]]])
    edges = np.concatenate([[levels[0]], levels, [levels[-1]]])
    right = np.array(
        [np.sum((x > candidate) == y) if k else np.sum(y) for k, candidate in enumerate(candidates)], dtype=float
    )
    right[-1] = np.sum(~y)
    log_likelihood = right * math.log(1 - lapse) + (len(x) - right) * math.log(lapse)
    best = np.flatnonzero(log_likelihood >= log_likelihood.max() - 1e-9)
    near = np.flatnonzero(log_likelihood >= log_likelihood.max() - 1.92)
    value = float((edges[best[0]] + edges[best[-1] + 1]) / 2)
    low, high = float(edges[near[0]]), float(edges[near[-1] + 1])
    return Interval(value, max(high - low, 1e-12) / 4, low, high, len(x))


# -- in words --------------------------------------------------------------------------------------------------------


def graded_in_words(quantity: str, found: Interval) -> str:
    """One sentence on a tester's graded claims of one quantity."""
    if found.n < MIN_PAIRS:
        return f"{quantity}: {found.n} comparisons so far, not enough to judge your eye; {MIN_PAIRS} are needed."
    if found.se == 0 and found.value == 1:
        return f"{quantity}: all {found.n} comparisons agree with the photos."
    span = f"kappa {found.value:.2f}, 95 % interval {found.low:.2f} to {found.high:.2f}, {found.n} comparisons"
    if found.high - found.low > 0.6:
        return f"{quantity}: {span}. Too wide to say more than that; go on noting."
    return f"{quantity}: {kappa_word(found.value)} agreement with the photos ({span})."


def numbers_in_words(quantity: str, unit: str, found: LimitsOfAgreement) -> str:
    """One sentence on a tester's numbers: bias only where it is clear of zero."""
    bias = found.bias
    if bias.n < MIN_PAIRS:
        return f"{quantity}: {bias.n} numbers so far, not enough to judge your eye; {MIN_PAIRS} are needed."
    limits = f"{found.lower.value:+.1f} and {found.upper.value:+.1f} {unit}"
    spread = f"single notes lie between {limits} of the photo ({bias.n} numbers)"
    if bias.low <= 0 <= bias.high:
        return f"{quantity}: no bias to be seen; {spread}."
    side = "high" if bias.value > 0 else "low"
    mean = f"{abs(bias.value):.1f} {unit} too {side} on average ({bias.low:+.1f} to {bias.high:+.1f})"
    return f"{quantity}: you note {mean}; {spread}."


def drift_in_words(quantity: str, unit: str, found: Interval) -> str:
    """One sentence on drift, per month of 30 days."""
    if found.n < MIN_PAIRS:
        return f"{quantity}: {found.n} numbers so far, not enough to see a drift."
    if found.low <= 0 <= found.high:
        return f"{quantity}: no drift to be seen over {found.n} numbers."
    side = "up" if found.value > 0 else "down"
    return f"{quantity}: your numbers drift {side} by {abs(found.value) * 30:.1f} {unit} a month against the photos."


def threshold_in_words(what: str, unit: str, eye: Interval, tool: float) -> str:
    """ "You see soot about 12 deg of arc too late": the tester's threshold against the tool's, where they differ."""
    if eye.n < MIN_PAIRS:
        return f"{what}: {eye.n} looks so far, not enough to judge when you begin to see it."
    late, digits = eye.value - tool, 0 if tool >= 10 else 1 if tool >= 0.5 else 2
    low, high, by, from_ = (f"{level:.{digits}f}" for level in (eye.low, eye.high, abs(late), tool))
    unit = f" {unit}" if unit else ""
    if eye.low <= tool <= eye.high and eye.high - eye.low > 2 * tool:
        return f"{what}: you begin to see it somewhere between {low} and {high}{unit}; too wide to say more."
    if eye.low <= tool <= eye.high:
        return f"{what}: you see it about when the photos do ({low} to {high}{unit})."
    when = "late" if late > 0 else "early"
    return f"{what}: you see it about {by}{unit} too {when} (from {low} to {high}{unit} on; the photos from {from_})."


# -- contradictions settled by hand ----------------------------------------------------------------------------------

Settled = Literal["note-right", "photo-right", "both-wrong"]


@dataclass(frozen=True)
class Record:
    """How contradictions of one quantity were settled: share in which the photo was right, with a Wilson interval."""

    note_right: int
    photo_right: int
    both_wrong: int
    photo_share: Interval


def settlement_record(settled: Sequence[Settled], confidence: float = 0.95) -> Record:
    """The record of settled contradictions. Raises TooFewError without any."""
    from scipy.stats import norm

    n = len(settled)
    if n == 0:
        raise TooFewError("no contradiction was settled yet")
    counts = {kind: sum(one == kind for one in settled) for kind in ("note-right", "photo-right", "both-wrong")}
    share, z = counts["photo-right"] / n, float(norm.ppf(0.5 + confidence / 2))
    middle = (share + z**2 / (2 * n)) / (1 + z**2 / n)
    reach = z / (1 + z**2 / n) * math.sqrt(share * (1 - share) / n + z**2 / (4 * n**2))
    found = Interval(share, math.sqrt(share * (1 - share) / n), middle - reach, middle + reach, n)
    return Record(counts["note-right"], counts["photo-right"], counts["both-wrong"], found)
