"""What judgement says: findings with rule, severity, evidence, source and words; and how a value stands to a limit."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Literal, TypeVar

from pooleye.judge.criteria import Criterion
from pooleye.measurement import Quantity

Weight = Literal["stop", "watch", "close", "missing", "fine"]
_ORDER: tuple[Weight, ...] = ("stop", "watch", "close", "missing", "fine")
#: Counts: a limit of 0 is passed by the first whole one, so it lies half-way.
_COUNTS = frozenset({"flames_too_many", "debris_count"})
#: How many standard uncertainties a limit must lie away from a value (JCGM 100:2008, 6.2: k = 2, about 95 %).
K = 2.0


class Standing(StrEnum):
    """How a value stands to a window."""

    INSIDE = "inside"
    CLOSE = "too close to call"
    ABOVE = "above"
    BELOW = "below"


def stand(quantity: Quantity, criterion: Criterion) -> Standing:
    """Outside or inside by more than 2u, else too close to call. ValueError when the units differ."""
    if quantity.unit != criterion.unit:
        raise ValueError(f"{criterion.key} is in {criterion.unit}, not {quantity.unit}")
    half = 0.5 if criterion.quantity in _COUNTS else 0.0
    low, high = quantity.value - K * quantity.u, quantity.value + K * quantity.u
    if criterion.most is not None and low > criterion.most + half:
        return Standing.ABOVE
    if criterion.least is not None and high < criterion.least - half:
        return Standing.BELOW
    above = criterion.most is not None and high > criterion.most + half
    below = criterion.least is not None and low < criterion.least - half
    return Standing.CLOSE if above or below else Standing.INSIDE


@dataclass(frozen=True)
class Finding:
    """One judgement. `means`: hot, cool, danger or note; `place`: where in the candle's life; `number`: the burn."""

    rule: str
    severity: Weight
    words: str
    source: str
    evidence: tuple[str, ...] = ()
    means: str = "note"
    alone: bool = False
    place: str = ""
    number: int | None = None

    def said(self) -> str:
        """One line, the word of danger first."""
        mark = {"stop": "STOP: ", "watch": "watch: ", "close": "too close to call: ", "missing": "not seen: "}
        at = f"{self.place}: " if self.place else ""
        proof = f" ({'; '.join(self.evidence)})" if self.evidence else ""
        return f"{mark.get(self.severity, '')}{at}{self.words}{proof} [{self.source}]"


def judged(criterion: Criterion, quantity: Quantity | None, place: str = "", number: int | None = None) -> Finding:
    """The finding of one criterion on one value; an absent value is said to be missing."""
    if quantity is None:
        return _finding(criterion, "missing", criterion.what, (), "note", place, number)
    standing = stand(quantity, criterion)
    proof = (f"{criterion.what} {quantity}, wanted {criterion.window}",)
    if standing is Standing.INSIDE:
        return _finding(criterion, "fine", f"{criterion.what} is within its limits.", proof, "note", place, number)
    if standing is Standing.CLOSE:
        means = side_means(criterion, nearer_side(quantity, criterion))
        words = f"{criterion.what} is too near its limit: it neither passes nor fails."
        return _finding(criterion, "close", words, proof, means, place, number)
    words = criterion.above if standing is Standing.ABOVE else criterion.below
    return _finding(criterion, criterion.severity, words, proof, side_means(criterion, standing), place, number)


def nearer_side(quantity: Quantity, criterion: Criterion) -> Standing:
    """The side of the window that a value lies nearer to."""
    if criterion.most is None:
        return Standing.BELOW
    if criterion.least is None:
        return Standing.ABOVE
    return Standing.ABOVE if quantity.value > (criterion.most + criterion.least) / 2 else Standing.BELOW


def side_means(criterion: Criterion, standing: Standing) -> str:
    """What lying on this side says: of a two-sided window above is hot and below cool."""
    if criterion.means != "both":
        return criterion.means
    return "hot" if standing is Standing.ABOVE else "cool"


def _finding(
    criterion: Criterion,
    severity: Weight,
    words: str,
    evidence: tuple[str, ...],
    means: str,
    place: str,
    number: int | None,
) -> Finding:
    return Finding(criterion.key, severity, words, criterion.cited, evidence, means, criterion.alone, place, number)


def by_weight(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Stops first, then watch, close, missing, fine; otherwise in the order given."""
    return tuple(sorted(findings, key=lambda one: _ORDER.index(one.severity)))


def of(findings: Iterable[Finding], *severities: Weight) -> tuple[Finding, ...]:
    """Those of these severities."""
    return tuple(one for one in findings if one.severity in severities)


def numbers_said(numbers: Iterable[int]) -> str:
    """Numbers with their runs: 1 2 3 5 as "1 to 3, 5"."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def burns_said(findings: Sequence[Finding]) -> str:
    """In which burns: "burn 3", "burns 1 to 6"; empty when none says."""
    numbers = {one.number for one in findings if one.number is not None}
    return f"burn{'s' * (len(numbers) > 1)} {numbers_said(numbers)}" if numbers else ""


def grouped(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """The same judgement in several burns as one, with the burns it was made in and the evidence of the latest; of two
    on the same evidence of which one only says more, the fuller."""
    groups: dict[tuple[str, str, str], list[Finding]] = {}
    for one in findings:
        groups.setdefault((one.rule, one.severity, one.words), []).append(one)
    found = [alike[0] if len(alike) == 1 else replace(alike[-1], place=burns_said(alike)) for alike in groups.values()]
    return tuple(_fullest(found, lambda one: (one.severity, one.place, one.evidence)))


@dataclass(frozen=True)
class Stop:
    """A danger in plain words: whose, what to do, where in the life, and where the rule is from."""

    codes: str
    words: str
    where: str
    source: str

    def said(self) -> str:
        """One line."""
        return f"STOP: {self.codes}: {self.words}{f' ({self.where})' if self.where else ''} [{self.source}]"


def stops_together(found: Iterable[tuple[str, Finding]]) -> list[Stop]:
    """Stops of several candles; the same one is said once, with its candles and burns, in its fullest words."""
    groups: dict[tuple[str, str], list[tuple[str, Finding]]] = {}
    for code, one in found:
        groups.setdefault((one.rule, one.words), []).append((code, one))
    stops = []
    for alike in groups.values():
        codes = ", ".join(dict.fromkeys(code for code, _ in alike))
        first, where = alike[0][1], burns_said([one for _, one in alike])
        stops.append(Stop(codes, first.words, where, first.source))
    return _fullest(stops, lambda one: one.codes)


_Said = TypeVar("_Said", Finding, Stop)


def _fullest(said: list[_Said], about: Callable[[_Said], object]) -> list[_Said]:
    """Without those whose words another, about the same, only goes on from."""
    return [
        one
        for one in said
        if not any(
            about(other) == about(one) and other.words != one.words and other.words.startswith(one.words)
            for other in said
        )
    ]


def told(findings: Sequence[Finding], *, everything: bool = False) -> list[str]:
    """Lines for a person: stops, watches, close calls; then in one line what was not seen."""
    sorted_ = by_weight(findings)
    lines = [one.said() for one in of(sorted_, "stop", "watch", "close")]
    missing = dict.fromkeys(one.words for one in of(sorted_, "missing"))
    lines += [f"not seen: {', '.join(missing)}"] if missing else []
    return lines + ([one.said() for one in of(sorted_, "fine")] if everything else [])
