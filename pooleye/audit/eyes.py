"""The tester's eye over many burns: how well claims agree with photos, per tester and quantity, and between testers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import Any

from pooleye.audit import agreement
from pooleye.audit.agreement import MIN_PAIRS, Interval, LimitsOfAgreement, TooFewError
from pooleye.audit.claims import STATES
from pooleye.audit.compare import Threshold

_NO_SLOPE = 1e-9
"""Slopes up to this are the rounding of the arithmetic."""

LEAST_EITHER_WAY = 3
"""Looks below and above the photos' own level, seen and not, without which the eye's level cannot be told; judged."""

NOBODY = "somebody"
"""Who wrote a note that has no name on it."""

UNORDERED = frozenset({"wick"})
"""Quantities whose states have no order: kappa without weights."""


@dataclass(frozen=True)
class Pair:
    """One claim beside what was measured. ``look``: which candle, burn and moment, the same for two testers there.

    ``state`` said and ``measured_state`` as the bands put it, where a word was said; ``said`` and ``measured`` in
    ``unit``, where a number was; ``present``: said to be there; ``shown``: how much of it was measured.
    """

    tester: str
    look: tuple[Any, ...]
    at: datetime
    quantity: str
    state: str | None = None
    measured_state: str | None = None
    said: float | None = None
    measured: float | None = None
    unit: str | None = None
    present: bool | None = None
    shown: float | None = None


@dataclass(frozen=True)
class Seeing:
    """From which level on a quantity counts as seen: by the tester's notes, and by the photos."""

    measured: str
    unit: str
    eye: Interval
    tool: float


@dataclass(frozen=True)
class Eye:
    """What can be said of one tester and one quantity; ``words`` are empty while there is not enough."""

    tester: str
    quantity: str
    graded: int
    numbers: int
    kappa: Interval | None
    limits: LimitsOfAgreement | None
    unit: str | None
    drift: Interval | None
    seeing: Seeing | None
    words: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Is there enough to say anything?"""
        return bool(self.words)


@dataclass(frozen=True)
class Between:
    """Two testers and one quantity: over the ``looks`` that both wrote of, and against the photos each of them saw.

    ``bias``: how much more the first notes than the second, each against the photos, in ``bias_unit`` (grades: steps of
    the scale).
    """

    first: str
    second: str
    quantity: str
    looks: int
    kappa: Interval | None
    limits: LimitsOfAgreement | None
    unit: str | None
    bias: Interval | None
    bias_unit: str
    words: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Is there enough to compare them?"""
        return bool(self.words)


Found = Callable[[], Any]


def _or_none(find: Found) -> Any:
    """A statistic, or None where the pairs are too few or all alike."""
    try:
        return find()
    except TooFewError:
        return None


def _kappa(quantity: str, pairs: Sequence[tuple[str, str]]) -> Interval | None:
    """Kappa; None also where one side knows only one state: it is 0 then, whatever the other side says."""
    weights: agreement.Weights = "none" if quantity in UNORDERED else "quadratic"
    first, second = [one for one, _ in pairs], [other for _, other in pairs]
    if len(set(first)) < 2 or len(set(second)) < 2:
        return None
    found: Interval | None = _or_none(
        lambda: agreement.kappa(agreement.cross_table(first, second, STATES[quantity]), weights)
    )
    return found


def _days(pairs: Sequence[Pair]) -> list[float]:
    start = min(one.at for one in pairs)
    return [(one.at - start).total_seconds() / 86_400 for one in pairs]


def _numbers(pairs: Sequence[Pair]) -> list[Pair]:
    """Pairs of numbers, of the kind noted most often: a pool's width and its share do not mix."""
    found = _grouped((one for one in pairs if one.said is not None and one.measured is not None), lambda one: one.unit)
    return max(found.values(), key=len, default=[])


def _difference(one: Pair) -> float:
    """Note minus photo."""
    return float(one.said or 0.0) - float(one.measured or 0.0)


def _graded(pairs: Sequence[Pair]) -> list[Pair]:
    return [one for one in pairs if one.state is not None and one.measured_state is not None]


def eye_of(tester: str, quantity: str, pairs: Sequence[Pair], threshold: Threshold | None) -> Eye:
    """One tester and one quantity; below ten pairs nothing is said."""
    graded, numbers = _graded(pairs), _numbers(pairs)
    seen = [one for one in pairs if one.present is not None and one.shown is not None]
    kappa = _kappa(quantity, [(str(one.state), str(one.measured_state)) for one in graded])
    differences = [_difference(one) for one in numbers]
    unit = numbers[0].unit if numbers else None
    limits: LimitsOfAgreement | None = _or_none(lambda: agreement.limits_of_agreement(differences))
    of_numbers, of_words = _steps(quantity, pairs)
    dated = of_numbers if len(numbers) >= MIN_PAIRS or len(numbers) > len(graded) else of_words
    drift: Interval | None = (
        _or_none(lambda: agreement.drift(_days(dated.pairs), dated.values)) if dated.pairs else None
    )
    seeing = _seeing(seen, threshold) if threshold else None
    words = [*_graded_words(quantity, graded, kappa)]
    if limits is not None and len(numbers) >= MIN_PAIRS:
        words.append(agreement.numbers_in_words(quantity, _shown(unit), limits))
    if seeing is not None and seeing.eye.n >= MIN_PAIRS:
        words.append(agreement.threshold_in_words(quantity, _level_unit(seeing.unit), seeing.eye, seeing.tool))
    if words and drift is not None and drift.n >= MIN_PAIRS:
        if drift.low <= _NO_SLOPE and drift.high >= -_NO_SLOPE:
            words[-1] = f"{words[-1].removesuffix('.')}; no drift to be seen."
        else:
            words.append(agreement.drift_in_words(quantity, dated.unit, drift))
    return Eye(tester, quantity, len(graded), len(numbers), kappa, limits, unit, drift, seeing, tuple(words))


def _graded_words(quantity: str, graded: Sequence[Pair], kappa: Interval | None) -> list[str]:
    if len(graded) < MIN_PAIRS:
        return []
    if kappa is not None:
        return [agreement.graded_in_words(quantity, kappa)]
    same = sum(one.state == one.measured_state for one in graded)
    alike = "photos" if len({one.measured_state for one in graded}) == 1 else "notes"
    words = f"{quantity}: {same} of {len(graded)} words agree; only one state occurs in the {alike}"
    return [f"{words}, so skill cannot be told from chance."]


@dataclass(frozen=True)
class _Steps:
    """Note minus photo, pair by pair, in a unit to be shown."""

    pairs: Sequence[Pair]
    values: Sequence[float]
    unit: str


def _steps(quantity: str, pairs: Sequence[Pair]) -> tuple[_Steps, _Steps]:
    """Differences of the numbers; and of the words, in steps of their scale (none where it has no order)."""
    numbers, graded = _numbers(pairs), [] if quantity in UNORDERED else _graded(pairs)
    order = STATES[quantity]
    steps = [float(order.index(str(one.state)) - order.index(str(one.measured_state))) for one in graded]
    unit = _shown(numbers[0].unit) if numbers else ""
    return _Steps(numbers, [_difference(one) for one in numbers], unit), _Steps(graded, steps, "grades")


def _seeing(seen: Sequence[Pair], threshold: Threshold) -> Seeing | None:
    """From which level on the tester sees it; None without looks enough on both sides."""
    levels, answers = [float(one.shown or 0.0) for one in seen], [bool(one.present) for one in seen]
    above = sum(level >= threshold.level for level in levels)
    if min(sum(answers), len(answers) - sum(answers), above, len(levels) - above) < LEAST_EITHER_WAY:
        return None
    eye: Interval | None = _or_none(lambda: agreement.seeing_threshold(levels, answers))
    return None if eye is None else Seeing(threshold.measured, threshold.unit, eye, threshold.level)


def _shown(unit: str | None) -> str:
    return {"deg": "°", "C": "°C", "1": "", None: ""}.get(unit, unit or "")


def _level_unit(unit: str) -> str:
    return "degrees of arc" if unit == "deg" else _shown(unit)


def _grouped(pairs: Iterable[Pair], key: Callable[[Pair], Any]) -> dict[Any, list[Pair]]:
    found: dict[Any, list[Pair]] = {}
    for one in pairs:
        found.setdefault(key(one), []).append(one)
    return found


def eyes_of(pairs: Iterable[Pair], thresholds: Mapping[str, Threshold]) -> tuple[Eye, ...]:
    """Every tester and quantity, in the order of names and of the list of quantities."""
    order = list(STATES)
    groups = _grouped(pairs, lambda one: (one.tester, order.index(one.quantity)))
    return tuple(
        eye_of(tester, order[place], found, thresholds.get(order[place]))
        for (tester, place), found in sorted(groups.items(), key=lambda item: item[0])
    )


def between_of(pairs: Iterable[Pair]) -> tuple[Between, ...]:
    """Every two testers and every quantity that both wrote of."""
    by_tester = _grouped(pairs, lambda one: one.tester)
    found = []
    for first, second in combinations(sorted(by_tester), 2):
        for quantity in STATES:
            one, other = ([p for p in by_tester[who] if p.quantity == quantity] for who in (first, second))
            if one and other:
                found.append(_between(first, second, quantity, one, other))
    return tuple(found)


def _shared(one: Sequence[Pair], other: Sequence[Pair]) -> list[tuple[Pair, Pair]]:
    """The last claim of each on the same look."""
    first, second = {pair.look: pair for pair in one}, {pair.look: pair for pair in other}
    return [(first[look], second[look]) for look in first if look in second]


def _between(first: str, second: str, quantity: str, one: Sequence[Pair], other: Sequence[Pair]) -> Between:
    shared = _shared(one, other)
    states = [(a.state, b.state) for a, b in shared if a.state is not None and b.state is not None]
    unit = next((a.unit for a in _numbers([a for a, _ in shared])), None)
    alike = [(a, b) for a, b in shared if a.unit == b.unit == unit]
    numbers = [(a.said, b.said) for a, b in alike if a.said is not None and b.said is not None]
    kappa = _kappa(quantity, states) if len(states) >= MIN_PAIRS else None
    limits: LimitsOfAgreement | None = None
    if len(numbers) >= MIN_PAIRS:
        limits = _or_none(lambda: agreement.limits_of_agreement([a - b for a, b in numbers]))
    bias, bias_unit = _bias_between(quantity, one, other)
    words = _between_words(first, second, quantity, kappa, limits, _shown(unit), bias, bias_unit)
    return Between(first, second, quantity, len(shared), kappa, limits, unit, bias, bias_unit, words)


def _bias_between(quantity: str, one: Sequence[Pair], other: Sequence[Pair]) -> tuple[Interval | None, str]:
    """How much more one notes than the other, each against the photos; None where either has too few, or they noted
    different kinds of thing."""
    both = zip(_steps(quantity, one), _steps(quantity, other), strict=True)
    fit = [(a, b) for a, b in both if a.unit == b.unit and min(len(a.values), len(b.values)) >= MIN_PAIRS]
    if not fit:
        return None, ""
    first, second = fit[0]
    return _or_none(lambda: agreement.bias_between(first.values, second.values)), first.unit


def _between_words(
    first: str,
    second: str,
    quantity: str,
    kappa: Interval | None,
    limits: LimitsOfAgreement | None,
    unit: str,
    bias: Interval | None,
    bias_unit: str,
) -> tuple[str, ...]:
    head, words = f"{first} and {second}, {quantity}", []
    if kappa is not None:
        word, span = agreement.kappa_word(kappa.value), f"{kappa.low:.2f} to {kappa.high:.2f}"
        words.append(f"{head}: {word} agreement (kappa {kappa.value:.2f}, 95 % interval {span}, {kappa.n} looks).")
    if limits is not None:
        spread = f"{limits.lower.value:+.1f} and {limits.upper.value:+.1f} {unit}"
        mean = _more(first, second, limits.bias, unit)
        words.append(f"{head}: {mean}; single notes differ by between {spread} ({limits.bias.n} looks).")
    elif bias is not None:
        words.append(f"{head}, each against the photos: {_more(first, second, bias, bias_unit)}.")
    return tuple(words)


def _more(first: str, second: str, bias: Interval, unit: str) -> str:
    """Who notes more, where the interval is clear of zero."""
    if bias.low <= 0 <= bias.high:
        return "no bias between them to be seen"
    more, less = (first, second) if bias.value > 0 else (second, first)
    low, high = sorted((abs(bias.low), abs(bias.high)))
    return f"{more} notes {abs(bias.value):.1f} {unit} more than {less} ({low:.1f} to {high:.1f})"
