"""What a tester sees, feels and says: hand measurements, notes, incidents."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.orm import Session

from pooleye.burnlog import bench, find, states
from pooleye.burnlog.bench import Place
from pooleye.burnlog.burns import end_burn
from pooleye.burnlog.records import Candle, Claim, Incident, Measurement, Note
from pooleye.burnlog.results import PRACTICE, Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.measurement import Quantity


@dataclass(frozen=True)
class HandKind:
    """A quantity taken by hand: unit, how, half-width of the reading (rectangular, judged), and the range believed."""

    quantity: str
    unit: str
    method: str
    half_width: float
    least: float
    most: float
    words: str


HAND = {
    "heat": HandKind("vessel_temperature", "C", "by hand: thermometer on the glass", 3.0, -10, 250, "vessel outside"),
    "throw": HandKind("hot_throw", "1", "by hand: nose, 0 none to 3 strong", 0.5, 0, 3, "hot throw"),
    "depth": HandKind("pool_depth", "mm", "by hand: skewer", 1.0, 0, 150, "melt pool depth"),
    "width": HandKind("pool_diameter", "mm", "by hand: ruler", 1.5, 0, 400, "melt pool width"),
    "flame": HandKind("flame_height", "mm", "by hand: ruler beside the flame", 4.0, 0, 300, "flame height"),
    "headspace": HandKind("headspace", "mm", "by hand: rim down to the wax", 1.0, 0, 300, "headspace"),
}
THROW_GRADES = ("none", "weak", "medium", "strong")
# Trade rule of thumb; no standard sets a temperature. Skin burns in under 5 s at this temperature.
WARM_VESSEL_C = 60.0


@dataclass(frozen=True)
class HandValue:
    """A value taken by hand, filed at its checkpoint."""

    place: Place
    quantity: str
    words: str
    value: Quantity
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """One line and what to mind."""
        return with_advice(self.advice, [f"{self.place.said()}: {self.words} {hand_said(self.quantity, self.value)}"])


def hand_said(quantity: str, value: Quantity) -> str:
    """A value taken by hand as people say it: hot throw by its grade."""
    return THROW_GRADES[round(value.value)] if quantity == "hot_throw" else str(value)


def parse_throw(text: str) -> float:
    """A grade in words, or 0 to 3. Raises PooleyeError."""
    if text.strip().lower() in THROW_GRADES:
        return float(THROW_GRADES.index(text.strip().lower()))
    if text.strip() in ("0", "1", "2", "3"):
        return float(text)
    raise PooleyeError("unknown-grade", f"“{text}” is no grade of hot throw", hint="none, weak, medium or strong")


def _place(session: Session, candle: Candle, at: datetime, minutes: float | None) -> Place:
    """The moment's place; ``minutes`` alight, when said, pick the checkpoint of the latest burn instead."""
    if minutes is None:
        return bench.place_at(candle, at)
    burn = bench.burn_at(candle, at) or states.last_burn(candle)
    if burn is None:
        text = f"{candle.code} was never lit, so it was not {minutes:g} min alight"
        raise PooleyeError("never-lit", text, hint=f"light it: pooleye light {candle.code}; or leave --minutes out")
    if burn.out_at is not None and minutes > states.minutes_between(burn.lit_at, burn.out_at) + 1:
        text = f"burn {burn.number} of {candle.code} did not last {minutes:g} min"
        raise PooleyeError("after-the-burn", text, hint="check the minutes, or leave them out")
    return Place(candle.code, "alight", burn.number, minutes, bench.checkpoint_minutes(burn, minutes))


def measure_by_hand(
    workspace: Workspace,
    code: str,
    what: str,
    value: float,
    *,
    at: datetime | None = None,
    minutes: float | None = None,
    who: str | None = None,
) -> HandValue:
    """File a value taken by hand (``what``: a key of ``HAND``) at its checkpoint.

    Raises PooleyeError for a value out of all range.
    """
    kind, moment = HAND[what], at or workspace.now()
    if not (math.isfinite(value) and kind.least <= value <= kind.most):
        text = f"{kind.words} cannot be {value:g} {kind.unit}"
        raise PooleyeError("absurd-value", text, hint=f"between {kind.least:g} and {kind.most:g}; check the unit")
    with workspace.write() as session:
        candle = find.candle(session, code)
        place = _place(session, candle, moment, minutes)
        u = kind.half_width / math.sqrt(3)
        shown = Quantity(value, u, kind.unit, (("reading", u),))
        keys = bench.ids_of(session, candle, place)
        record = Measurement(**keys, at=moment, quantity=kind.quantity, value=value, u=u, unit=kind.unit)
        record.parts, record.flags = {"reading": u}, []
        record.method, record.by, record.who = kind.method, "hand", who
        session.add(record)
        return HandValue(place, kind.quantity, kind.words, shown, _hand_advice(what, value, candle))


def _hand_advice(what: str, value: float, candle: Candle) -> tuple[Advice, ...]:
    if what == "heat" and value >= WARM_VESSEL_C:
        text = f"{candle.code} is {value:.0f} °C outside: skin burns within seconds; do not touch or move it"
        return (Advice("caution", "vessel-hot", text, f"{PRACTICE}; no standard sets a vessel temperature"),)
    if what == "width" and value > candle.vessel.rim_inner_mm + 3:
        bore = candle.vessel.rim_inner_mm
        text = f"a pool of {value:.0f} mm is wider than the vessel ({bore:.0f} mm): check the number"
        return (Advice("caution", "wider-than-vessel", text),)
    return ()


@dataclass(frozen=True)
class Noted:
    """A note in the log."""

    note_id: int
    place: Place
    text: str
    tester: str | None

    def said(self) -> list[str]:
        """One line."""
        return [f"{self.place.said()}: “{self.text}” noted"]


def note(
    workspace: Workspace,
    code: str,
    text: str,
    *,
    at: datetime | None = None,
    minutes: float | None = None,
    tester: str | None = None,
) -> Noted:
    """File a tester's own words, unchanged, at their checkpoint."""
    if not text.strip():
        raise PooleyeError(
            "empty-note", "the note has no words", hint='for instance: pooleye note CODE "soot on the left"'
        )
    moment = at or workspace.now()
    with workspace.write() as session:
        candle = find.candle(session, code)
        place = _place(session, candle, moment, minutes)
        record = Note(**bench.ids_of(session, candle, place), at=moment, text=text, tester=tester)
        session.add(record)
        session.flush()
        return Noted(record.id, place, text, tester)


def keep_claims(workspace: Workspace, note_id: int, reader: str, claims: list[dict[str, Any]]) -> int:
    """Keep what a reader (``reader``: method and version) found in a note; once per reader. Returns how many are new.

    ``claims``: dicts with quantity, state, value, unit, where, superseded, hedged, words.
    """
    with workspace.write() as session:
        record = session.get(Note, note_id)
        if record is None:
            raise PooleyeError("unknown-note", f"the log has no note {note_id}", hint="see: pooleye show CODE")
        if any(claim.reader == reader for claim in record.claims):
            return 0
        record.claims.extend(Claim(reader=reader, place=place, **claim) for place, claim in enumerate(claims))
        return len(claims)


@dataclass(frozen=True)
class IncidentKind:
    """What happened, what to do at once, whether the candle is done for, whether the flame is out already."""

    words: str
    do: str
    source: str
    ends_candle: bool = True
    flame_out: bool = False


_COVER = "smother it with a lid or a fire blanket, never with water; let it cool and discard it"
INCIDENTS = {
    "cracked": IncidentKind("the vessel cracked", f"put the flame out, {_COVER}",
                            "ASTM F2417-23 4.2 (second-hand summary)"),
    "pinged": IncidentKind("the vessel pinged", "put the flame out, let it cool and discard it",
                           "public fire-safety advice"),
    "leaked": IncidentKind("the vessel leaks", f"put the flame out, {_COVER}", "public fire-safety advice"),
    "second-flame": IncidentKind("something else than the wick burns", _COVER,
                                 "ASTM F2417-23 4.3, EN 15493 (second-hand summaries)"),
    "flame-over-pool": IncidentKind("the whole pool burns", f"{_COVER}; not out at once: leave, shut the door, call the"
                                    " fire service", "candle flashover, PS 59-02 3.2.4"),
    "wick-adrift": IncidentKind("the wick came loose", "put the flame out, let it cool, do not light it again",
                                "ASTM F2417-23 (second-hand summary): flame on the vessel"),
    "fell-over": IncidentKind("the candle fell over", f"{_COVER}", "public fire-safety advice"),
    "flared": IncidentKind("the flame flared up", "put the flame out, let it cool, trim the wick, look for draught",
                           "public fire-safety advice", ends_candle=False),
    "went-out": IncidentKind("the candle went out by itself", "let it cool and look why: drowned wick, no wax, draught",
                             PRACTICE, ends_candle=False, flame_out=True),
}  # fmt: skip


@dataclass(frozen=True)
class Happened:
    """An incident, filed; it is a stop."""

    candle: str
    kind: str
    burn_number: int | None
    at: datetime
    still_alight: bool
    advice: tuple[Advice, ...]

    def said(self) -> list[str]:
        """The stop first."""
        lines = [f"{self.candle}: {INCIDENTS[self.kind].words}; kept in the log"]
        if self.still_alight:
            lines.append(f"when it is out: pooleye snuff {self.candle} --how stopped")
        return with_advice(self.advice, lines)


def incident(
    workspace: Workspace, code: str, kind: str, *, at: datetime | None = None, words: str | None = None
) -> Happened:
    """File an incident. It stops the burn; most kinds also end the candle: it is not lit again."""
    if kind not in INCIDENTS:
        raise PooleyeError("unknown-incident", f"no incident “{kind}”", hint=f"one of: {', '.join(INCIDENTS)}")
    what, moment = INCIDENTS[kind], at or workspace.now()
    with workspace.write() as session:
        candle = find.candle(session, code)
        burn = bench.burn_at(candle, moment)
        record = Incident(candle_id=candle.id, burn_id=burn.id if burn else None, at=moment, kind=kind, words=words)
        session.add(record)
        if what.flame_out and states.running_burn(candle) is not None:
            end_burn(candle, moment, "by-itself")
        if what.ends_candle and candle.stopped_at is None:
            candle.stopped_at, candle.stopped_reason = moment, what.words
        still = states.running_burn(candle) is not None
        advice = (
            Advice("stop", kind, f"{candle.code}: {what.words}. {what.do[0].upper()}{what.do[1:]}.", what.source),
        )
        return Happened(candle.code, kind, burn.number if burn else None, moment, still, advice)
