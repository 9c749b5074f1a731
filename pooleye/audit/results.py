"""What an audit says: claims beside measurements, what has no partner, dangers to confirm, and the tester's eye."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, get_args

from pooleye import cautions
from pooleye.audit import compare
from pooleye.audit.agreement import MIN_PAIRS, Record
from pooleye.audit.eyes import Between, Eye
from pooleye.burnlog.bench import Place
from pooleye.burnlog.results import Advice
from pooleye.measurement import after_number, format_value

GRAVITY = ("stop", "caution", "info")
_VERDICT_SAID = {"agrees": "agreed", "contradicts": "contradicted", "cannot-tell": "not to be told"}


@dataclass(frozen=True)
class Settlement:
    """How a person settled it; ``earlier``: how many times it had been settled before."""

    verdict: str
    who: str | None
    why: str | None
    at: datetime
    earlier: int = 0

    def said(self) -> str:
        """A few words."""
        who, why = f" by {self.who}" if self.who else "", f" ({self.why})" if self.why else ""
        return f"settled{who}: {self.verdict.replace('-', ' ')}{why}"


@dataclass(frozen=True)
class At:
    """Which candle, burn (None before the first) and moment, and whose words."""

    candle: str
    burn: int | None
    phase: str
    minutes: float | None
    tester: str

    @property
    def place(self) -> str:
        """Candle, burn and moment, in words."""
        return Place(self.candle, self.phase, self.burn, self.minutes).said()


@dataclass(frozen=True)
class Row(At):
    """One claim beside what was measured. ``id`` names it for `pooleye settle`; ``gap_u``: the disagreement in
    standard uncertainties, positive where the measured value lies above what the note says."""

    id: str
    at: datetime
    words: str
    quantity: str
    state: str | None
    said_value: float | None
    said_unit: str | None
    where: str | None
    hedged: bool
    verdict: str
    why: str
    measured: str | None
    value: float | None
    u: float | None
    unit: str | None
    gap_u: float | None
    source: str | None
    settlement: Settlement | None = None

    @property
    def open(self) -> bool:
        """A contradiction that nobody has settled."""
        return self.verdict == "contradicts" and self.settlement is None

    def shown(self) -> str | None:
        """What was measured, for a person."""
        if self.measured is None or self.value is None or self.u is None:
            return None
        return f"{compare.measured_words(self.measured)} {format_value(self.value, self.u)}{after_number(self.unit)}"

    def claimed(self) -> dict[str, Any]:
        """The claim as a settlement keeps it."""
        said = {"value": self.said_value, "unit": self.said_unit, "where": self.where, "hedged": self.hedged}
        return {"quantity": self.quantity, "state": self.state, **said, "words": self.words}

    def said(self) -> str:
        """One line: the tester's words, the value with u, the disagreement in u."""
        shown = f"; {self.shown()}" if self.shown() else ""
        settled = f"; {self.settlement.said()}" if self.settlement else ""
        head = f"{self.verdict.replace('-', ' ')}: {self.place}, {self.tester}: “{self.words}”"
        return f"{head}{shown}; {self.why} [{self.id}]{settled}"


@dataclass(frozen=True)
class Unmatched(At):
    """A look with claims but no photo (``words``: what they say), or with ``photos`` but no note (by nobody)."""

    words: tuple[str, ...] = ()
    photos: tuple[str, ...] = ()

    def said(self) -> str:
        """One line."""
        if self.photos:
            return f"no note: {self.place}, {', '.join(self.photos)}"
        return f"no photo: {self.place}, {self.tester}: " + ", ".join(f"“{one}”" for one in self.words)


@dataclass(frozen=True)
class NotUnderstood(At):
    """A stretch of a note that became no claim, and why."""

    words: str
    why: str

    def said(self) -> str:
        """One line."""
        return f"not read: {self.place}, {self.tester}: {self.why}"


@dataclass(frozen=True)
class ToConfirm(At):
    """Words of danger that no incident in the log answers; ``id`` names them for `pooleye settle … no-danger`."""

    id: str
    kind: str
    words: str
    advice: Advice

    def claimed(self) -> dict[str, Any]:
        """The danger as a settlement keeps it."""
        return {"incident": self.kind, "words": self.words}

    def said(self) -> str:
        """One line: what to do, and how to say that it was none."""
        return f"{self.advice.said()}; if it was none: pooleye settle {self.id} no-danger"


@dataclass(frozen=True)
class QuantityRecord:
    """How settled contradictions of one quantity (``all`` of them together) came out."""

    quantity: str
    record: Record

    def said(self) -> str:
        """One line."""
        one, share = self.record, self.record.photo_share
        counts = f"photo right {one.photo_right}, note right {one.note_right}, both wrong {one.both_wrong}"
        return f"{self.quantity}: {counts}; photo right in {share.value:.0%} ({share.low:.0%} to {share.high:.0%})"


@dataclass(frozen=True)
class AccuracyRecord:
    """How often photo and note were right where a person settled it."""

    rows: tuple[QuantityRecord, ...]

    def said(self) -> list[str]:
        """All together first, then by quantity."""
        return [one.said() for one in self.rows] or ["no contradiction has been settled yet"]


@dataclass(frozen=True)
class Audit:
    """Notes and measurements side by side."""

    rows: tuple[Row, ...]
    without_photo: tuple[Unmatched, ...]
    without_note: tuple[Unmatched, ...]
    not_understood: tuple[NotUnderstood, ...]
    to_confirm: tuple[ToConfirm, ...]
    eyes: tuple[Eye, ...]
    between: tuple[Between, ...]
    record: AccuracyRecord
    limits: str = field(default=cautions.DISCLAIMER)

    @property
    def contradictions(self) -> tuple[Row, ...]:
        """Rows that contradict: those not settled yet first, the gravest gap first."""
        found = [one for one in self.rows if one.verdict == "contradicts"]
        return tuple(sorted(found, key=lambda one: (not one.open, -abs(one.gap_u or 0.0))))

    def said(self) -> list[str]:
        """Dangers first, contradictions next, then what has no partner, what was not read, and the tester's eye."""
        return self._lines(())

    def said_in_full(self) -> list[str]:
        """The same with every claim."""
        return self._lines([one for one in self.rows if one.verdict != "contradicts"])

    def _lines(self, rest: Sequence[Row]) -> list[str]:
        gravest = sorted(self.to_confirm, key=lambda one: GRAVITY.index(one.advice.severity))
        lines = [one.said() for one in gravest]
        lines += [one.said() for one in (*self.contradictions, *rest)]
        lines += self._counts()
        lines += [one.said() for one in (*self.without_photo, *self.without_note)]
        lines += [one.said() for one in self.not_understood]
        lines += self.eye_words()
        lines += self.record.said() if self.record.rows else []
        return [*lines, self.limits]

    def _counts(self) -> list[str]:
        if not self.rows:
            return ["no note claims anything yet"]
        counts = {verdict: sum(one.verdict == verdict for one in self.rows) for verdict in get_args(compare.Verdict)}
        told = ", ".join(f"{_VERDICT_SAID[verdict]} {count}" for verdict, count in counts.items())
        lines = [f"claims {len(self.rows)}: {told}"]
        first = next((one for one in self.contradictions if one.open), None)
        if first is not None:
            lines.append(f"look again, then settle it: pooleye settle {first.id} note-right, photo-right or both-wrong")
        return lines

    def eye_words(self) -> list[str]:
        """The tester's eye in words, and what there is too little of."""
        lines = [f"{one.tester}: {words}" for one in self.eyes for words in one.words]
        for tester in dict.fromkeys(one.tester for one in self.eyes):
            eyes = [one for one in self.eyes if one.tester == tester and not one.enough]
            if eyes:
                few = ", ".join(f"{one.quantity} {max(one.graded, one.numbers)}" for one in eyes)
                needed = f"{MIN_PAIRS} comparisons of one kind are needed"
                lines.append(f"{tester}: not enough data yet to judge the eye ({needed}): {few}")
        lines += [words for one in self.between for words in one.words]
        for first, second in dict.fromkeys((one.first, one.second) for one in self.between):
            pair = [one for one in self.between if (one.first, one.second) == (first, second) and not one.enough]
            if pair:
                few = ", ".join(one.quantity for one in pair)
                lines.append(f"{first} and {second}: not enough data yet to compare them: {few}")
        return lines


@dataclass(frozen=True)
class SettledNow:
    """A contradiction or danger, settled."""

    id: str
    what: str
    settlement: Settlement
    next: str | None = None

    def said(self) -> list[str]:
        """What was settled, and what follows from it."""
        again = f"; {self.settlement.earlier} earlier settlements stay in the log" if self.settlement.earlier else ""
        return [f"{self.what}; {self.settlement.said()}{again}", *([self.next] if self.next else [])]
