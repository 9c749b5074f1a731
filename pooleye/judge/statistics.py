"""Small samples: what a few candles say about the next one, how many more would decide, how much failure they allow.

A mean of three candles says nothing about the fourth. The question is answered by a one-sided prediction bound for one
future observation, x̄ ± t(p, ν)·s·√(1 + 1/n) (Hahn & Meeker, Statistical Intervals, from memory; the two-sided form with
a worked example: Montgomery & Runger, Applied Statistics and Probability for Engineers, 8-6).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

#: Above this p of Bartlett's test the arms' scatter is taken as alike; high, since three candles show little; judged.
ALIKE_P = 0.2
#: More candles than this in one arm are not asked for: the question should then be put otherwise; judged.
MOST_CANDLES = 30
Side = Literal["upper", "lower"]


@dataclass(frozen=True)
class Scatter:
    """Standard deviation between candles and its degrees of freedom; `pooled` over this many arms (1 = its own)."""

    s: float
    freedom: int
    pooled: int = 1


@dataclass(frozen=True)
class Bound:
    """What the next candle stays below (`upper`) or above (`lower`), with this confidence."""

    mean: float
    value: float
    side: Side
    n: int
    scatter: Scatter
    u: float
    confidence: float


def mean_of(values: Sequence[float]) -> float:
    """Arithmetic mean. ValueError when empty."""
    if not values:
        raise ValueError("no values")
    return math.fsum(values) / len(values)


def own_scatter(values: Sequence[float]) -> Scatter | None:
    """Sample standard deviation with n - 1; None with fewer than two values."""
    if len(values) < 2:
        return None
    mean = mean_of(values)
    return Scatter(math.sqrt(math.fsum((one - mean) ** 2 for one in values) / (len(values) - 1)), len(values) - 1)


def pool(arms: Sequence[Sequence[float]]) -> Scatter | None:
    """Scatter pooled over the arms with two or more values, each weighted by its degrees of freedom."""
    found = [one for arm in arms if (one := own_scatter(arm)) is not None]
    freedom = sum(one.freedom for one in found)
    if not freedom:
        return None
    return Scatter(math.sqrt(sum(one.freedom * one.s**2 for one in found) / freedom), freedom, len(found))


def alike(arms: Sequence[Sequence[float]], *, floor: float = 0.0) -> bool:
    """Whether the arms' scatter may be pooled: Bartlett's test does not speak against it.

    `floor` is the standard uncertainty of one value: arms that scatter by less than it do not differ in a way that can
    be seen. Arms with fewer than two values do not count.
    """
    scatters = [one for arm in arms if (one := own_scatter(arm)) is not None]
    if len(scatters) < 2 or max(one.s for one in scatters) <= floor:
        return True
    raised = [(max(one.s, floor, 1e-12), one.freedom) for one in scatters]
    return bartlett_p(raised) > ALIKE_P


def bartlett_p(scatters: Sequence[tuple[float, int]]) -> float:
    """p of Bartlett's test for (s, degrees of freedom) of each arm (NIST/SEMATECH e-Handbook, 1.3.5.7)."""
    from scipy.stats import chi2

    freedom, k = sum(nu for _, nu in scatters), len(scatters)
    pooled = sum(nu * s**2 for s, nu in scatters) / freedom
    top = freedom * math.log(pooled) - sum(nu * math.log(s**2) for s, nu in scatters)
    bottom = 1 + (sum(1 / nu for _, nu in scatters) - 1 / freedom) / (3 * (k - 1))
    return float(chi2.sf(top / bottom, k - 1))


def scatter_for(arm: Sequence[float], others: Sequence[Sequence[float]], *, floor: float = 0.0) -> Scatter | None:
    """The scatter to judge an arm with: pooled over all arms where it is alike, else the arm's own."""
    if alike([arm, *others], floor=floor):
        return pool([arm, *others])
    return own_scatter(arm)


def prediction_bound(
    values: Sequence[float], scatter: Scatter, *, side: Side, confidence: float, u: float = 0.0
) -> Bound:
    """One-sided bound for the next candle.

    `u` is the standard uncertainty that all values share (the same phone, the same callipers), which their scatter
    cannot show; it is added in quadrature with the normal quantile of the same confidence.
    """
    mean, n = mean_of(values), len(values)
    half = _half_width(scatter.s, scatter.freedom, n, confidence, u, math.sqrt(1 + 1 / n))
    return Bound(mean, mean + half if side == "upper" else mean - half, side, n, scatter, u, confidence)


def mean_bound(values: Sequence[float], scatter: Scatter, *, side: Side, confidence: float, u: float = 0.0) -> Bound:
    """One-sided confidence bound of the mean itself: x̄ ± t·s/√n."""
    mean, n = mean_of(values), len(values)
    half = _half_width(scatter.s, scatter.freedom, n, confidence, u, math.sqrt(1 / n))
    return Bound(mean, mean + half if side == "upper" else mean - half, side, n, scatter, u, confidence)


def _half_width(s: float, freedom: int, n: int, confidence: float, u: float, factor: float) -> float:
    from scipy.stats import norm, t

    if freedom < 1 or n < 1:
        raise ValueError("a bound needs a scatter with degrees of freedom")
    return math.hypot(float(t.ppf(confidence, freedom)) * s * factor, float(norm.ppf(confidence)) * u)


def candles_needed(
    mean: float, scatter: Scatter, limit: float, *, side: Side, confidence: float, n: int, u: float = 0.0, arms: int = 1
) -> int | None:
    """Candles an arm must have until the bound clears the limit, if mean and scatter stay as they are.

    `arms` share the scatter and grow together. None when even `MOST_CANDLES` would not do: mean too near the limit.
    """
    for count in range(max(n, 2), MOST_CANDLES + 1):
        freedom = scatter.freedom + arms * (count - n)
        half = _half_width(scatter.s, freedom, count, confidence, u, math.sqrt(1 + 1 / count))
        if mean + half <= limit if side == "upper" else mean - half >= limit:
            return count
    return None


def failure_rate_bound(failures: int, n: int, confidence: float = 0.95) -> float:
    """Highest failure rate still allowed by `failures` in `n`: Clopper & Pearson's one-sided upper bound.

    With none failed it is 1 - (1 - confidence)^(1/n).
    """
    from scipy.stats import beta

    if not 0 <= failures <= n or n < 1:
        raise ValueError(f"{failures} failures of {n}")
    return 1.0 if failures == n else float(beta.ppf(confidence, failures + 1, n - failures))


@dataclass(frozen=True)
class Apart:
    """Difference of two arms' means with its two-sided interval; `told_apart` when the interval leaves out zero."""

    difference: float
    low: float
    high: float

    @property
    def told_apart(self) -> bool:
        """Whether the arms differ at all."""
        return not self.low <= 0 <= self.high


def arms_apart(first: Sequence[float], second: Sequence[float], confidence: float = 0.90) -> Apart | None:
    """Difference first - second with Welch's interval; None when an arm has fewer than two values or none scatters."""
    from scipy.stats import t

    a, b = own_scatter(first), own_scatter(second)
    if a is None or b is None:
        return None
    va, vb = a.s**2 / len(first), b.s**2 / len(second)
    if va + vb == 0:
        return None
    freedom = (va + vb) ** 2 / (va**2 / a.freedom + vb**2 / b.freedom)
    half = float(t.ppf((1 + confidence) / 2, freedom)) * math.sqrt(va + vb)
    difference = mean_of(first) - mean_of(second)
    return Apart(difference, difference - half, difference + half)
