"""Tidy tables: one row a measurement, a burn, a candle, a note; each column with what it means.

Only what counts is here: nothing struck out, of each photo the tool's newest reading and the newest correction by hand.
Everything else is in the JSON.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload
from sqlalchemy.sql.base import ExecutableOption

from pooleye.burnlog import states, wax_left
from pooleye.burnlog.burns import duration
from pooleye.burnlog.filing import newest_reading
from pooleye.burnlog.records import Burn, Candle, Claim, Incident, Measurement, Note, Photo, Reading, Weighing
from pooleye.measurement import Quantity


@dataclass(frozen=True)
class Column:
    """What a column means, and how to take it from what its row is about. Times are in UTC."""

    words: str
    take: Callable[[Any], Any]


@dataclass(frozen=True)
class Table:
    """A table: what one row is, its columns by name, and what its rows are about, for one candle."""

    words: str
    columns: Mapping[str, Column]
    of_candle: Callable[[Session, Candle], list[Any]]

    def rows(self, session: Session) -> Iterator[list[Any]]:
        """The rows, candle by candle in the order poured."""
        for candle in session.scalars(select(Candle).order_by(Candle.id)):
            for about in self.of_candle(session, candle):
                yield [column.take(about) for column in self.columns.values()]


@dataclass(frozen=True)
class _Taken:
    """One quantity taken once: from a photo, by hand or by scale."""

    candle: Candle
    burn: Burn | None
    checkpoint_min: float | None
    minutes_alight: float | None
    at: datetime | None
    quantity: str
    value: Quantity
    by: str
    who: str | None
    method: str
    flags: str = ""
    photo: Photo | None = None


def _sound(session: Session, kind: Any, candle: Candle, *also: ExecutableOption) -> list[Any]:
    query = select(kind).where(kind.candle_id == candle.id, kind.voided_at.is_(None)).order_by(kind.id)
    return list(session.scalars(query.options(*also)))


def _taken(session: Session, candle: Candle) -> list[_Taken]:
    """Everything measured of a candle that counts, in order of burn and minute."""
    found = [_by_scale(candle, one) for one in wax_left.sound(candle)]
    alone = [one for one in _sound(session, Measurement, candle) if one.photo_id is None]
    found += [_measured(candle, one, None) for one in alone]
    with_readings = selectinload(Photo.readings).selectinload(Reading.measurements)
    for photo in _sound(session, Photo, candle, with_readings):
        readings = () if photo.burst_of else (newest_reading(photo), newest_reading(photo, by_hand=True))
        for reading in filter(None, readings):
            found += [_measured(candle, one, photo) for one in reading.measurements if one.voided_at is None]
    return sorted(found, key=lambda one: (one.burn.number if one.burn else 0, one.minutes_alight or 0.0))


def _burn(candle: Candle, burn_id: int | None) -> Burn | None:
    return next((one for one in candle.burns if one.id == burn_id), None)


def _point(burn: Burn | None, checkpoint_id: int | None) -> float | None:
    return next((one.minutes for one in burn.checkpoints if one.id == checkpoint_id), None) if burn else None


def _minutes_alight(burn: Burn | None, at: datetime | None) -> float | None:
    if burn is None or at is None or (burn.out_at is not None and at > burn.out_at):
        return None
    return states.minutes_between(burn.lit_at, at)


def _measured(candle: Candle, one: Measurement, photo: Photo | None) -> _Taken:
    burn = _burn(candle, one.burn_id)
    minutes = photo.minutes_alight if photo else _minutes_alight(burn, one.at)
    point, value = _point(burn, one.checkpoint_id), Quantity(one.value, one.u, one.unit)
    flags = " ".join(one.flags)
    return _Taken(candle, burn, point, minutes, one.at, one.quantity, value, one.by, one.who, one.method, flags, photo)


def _by_scale(candle: Candle, one: Weighing) -> _Taken:
    burn, value = _burn(candle, one.burn_id), Quantity(one.mass_g, wax_left.step_u(one.step_g), "g")
    how = f"by hand: scale, step {one.step_g:g} g"
    return _Taken(candle, burn, None, _minutes_alight(burn, one.at), one.at, "mass", value, "hand", None, how)


@dataclass(frozen=True)
class _Burnt:
    """One burn, with what happened in it."""

    burn: Burn
    incidents: list[Incident]

    @property
    def candle(self) -> Candle:
        return self.burn.candle


def _burns(session: Session, candle: Candle) -> list[_Burnt]:
    incidents = _sound(session, Incident, candle)
    return [_Burnt(burn, [one for one in incidents if one.burn_id == burn.id]) for burn in candle.burns]


@dataclass(frozen=True)
class _Alone:
    """A candle by itself, or with a note on it."""

    candle: Candle
    note: Note | None = None

    @property
    def burn(self) -> Burn | None:
        return _burn(self.candle, self.note.burn_id) if self.note else None


def _lots(candle: Candle) -> str:
    lots = [one.lot for one in candle.pour.lots] + [one.lot for one in candle.lots]
    return "; ".join(f"{one.component} {one.label}" for one in lots)


def _incident(one: Incident) -> str:
    return f"{one.kind} ({one.words})" if one.words else one.kind


def _claims(note: Note) -> str:
    """Claims as the newest reading of the note has them."""
    newest = max(note.claims, key=lambda one: one.id, default=None)
    return "; ".join(_claim(one) for one in note.claims if newest and one.reader == newest.reader)


def _claim(claim: Claim) -> str:
    number = None if claim.value is None else f"{claim.value:g} {claim.unit or ''}".removesuffix(" 1").strip()
    where = f"({claim.where})" if claim.where else None
    marks = ("withdrawn" if claim.superseded else None, "hedged" if claim.hedged else None)
    return " ".join(filter(None, (claim.quantity, claim.state, number, where, *marks)))


def _either(quantity: Quantity | None, part: str) -> float | None:
    return getattr(quantity, part) if quantity else None


def _left(one: Any) -> Quantity | None:
    left = wax_left.wax_left(one.candle)
    return left.mass if left else None


def _named(words: str, way: str) -> Column:
    """A column that is an attribute of an attribute: ``candle.pour.name``; empty where one of them is."""

    def take(one: Any) -> Any:
        for step in way.split("."):
            one = None if one is None else getattr(one, step)
        return one

    return Column(words, take)


_CODE = {"candle": _named("code of the candle", "candle.code")}
_MADE_OF = {
    **_CODE,
    "trial": _named("the trial it belongs to", "candle.trial.name"),
    "arm": _named("its arm of the trial", "candle.arm"),
    "pour": _named("the batch it was poured in", "candle.pour.name"),
    "vessel": _named("kind of vessel", "candle.vessel.name"),
    "wick": _named("kind of wick", "candle.wick.name"),
    "wax": _named("kind of wax", "candle.pour.wax.name"),
    "fragrance": _named("fragrance oil", "candle.pour.fragrance.name"),
    "load_percent": _named("fragrance as a share of the wax mass, %", "candle.pour.load_percent"),
}
_POINT_WORDS = "the checkpoint it counts for, minutes since lighting"

MEASUREMENTS = Table(
    "one quantity measured once, by the tool from a photo, by hand, or by scale",
    {
        **_MADE_OF,
        "burn": _named("number of the burn; empty: the new, unlit candle", "burn.number"),
        "burn_kind": _named("standard, long, untrimmed or burn-out", "burn.kind"),
        "minutes_alight": _named("minutes since lighting; empty when not alight", "minutes_alight"),
        "checkpoint_min": _named(_POINT_WORDS, "checkpoint_min"),
        "at": _named("when, on the workshop's clock; empty when the photo does not say", "at"),
        "at_utc": _named("the same moment in UTC", "at"),
        "quantity": _named("what was measured; mass: candle with vessel, on the scale", "quantity"),
        "value": _named("the value", "value.value"),
        "u": _named("its standard uncertainty, same unit; 2 u hold the truth in about 95 of 100 cases", "value.u"),
        "unit": _named("mm, mm2, deg, g, C, Hz; 1: a pure number", "value.unit"),
        "by": _named("tool, or hand: a photo corrected, or taken without a photo", "by"),
        "who": _named("whose hand", "who"),
        "method": _named("method and its version", "method"),
        "flags": _named("what to know about the value; see pooleye flags", "flags"),
        "photo": _named("name of the photo", "photo.original_name"),
        "photo_sha256": _named("SHA-256 of the photo", "photo.sha256"),
    },
    _taken,
)
BURNS = Table(
    "one burn",
    {
        **_CODE,
        "burn": _named("number of the burn", "burn.number"),
        "kind": _named("standard, long, untrimmed or burn-out", "burn.kind"),
        "lit_at": _named("when lit, on the workshop's clock", "burn.lit_at"),
        "out_at": _named("when out, on the workshop's clock; empty while alight", "burn.out_at"),
        "out_how": _named("snuffed, by-itself or stopped", "burn.out_how"),
        "minutes": Column("how long it burnt, min", lambda one: (duration(one.burn) or (None, None))[0]),
        "minutes_u": Column("standard uncertainty of that", lambda one: (duration(one.burn) or (None, None))[1]),
        "planned_min": _named("how long it was meant to burn, min", "burn.planned_minutes"),
        "trimmed_mm": _named("wick trimmed to, mm", "burn.trimmed_to_mm"),
        "spacing_mm": _named("distance to other lit candles, mm", "burn.spacing_mm"),
        "room_c": _named("room temperature, °C", "burn.room_c"),
        "burnt_g": Column("mass burnt, g", lambda one: _either(wax_left.burnt_in(one.candle, one.burn), "value")),
        "burnt_u_g": Column(
            "standard uncertainty of that", lambda one: _either(wax_left.burnt_in(one.candle, one.burn), "u")
        ),
        "burn_rate_g_h": Column(
            "burn rate, g/h", lambda one: _either(wax_left.burn_rate(one.candle, one.burn), "value")
        ),
        "burn_rate_u_g_h": Column(
            "standard uncertainty of that", lambda one: _either(wax_left.burn_rate(one.candle, one.burn), "u")
        ),
        "incidents": Column("what ended it at once", lambda one: "; ".join(_incident(each) for each in one.incidents)),
        "lit_despite": _named("why it was lit although the log advised against it", "burn.lit_despite"),
    },
    _burns,
)
CANDLES = Table(
    "one candle",
    {
        **_MADE_OF,
        "poured_at": _named("when poured, on the workshop's clock", "candle.pour.poured_at"),
        "cured_from": _named("since when it cures, on the workshop's clock", "candle.cured_from"),
        "rim_inner_mm": _named("inner diameter of the rim, mm", "candle.vessel.rim_inner_mm"),
        "wick_count": _named("number of wicks", "candle.wick_count"),
        "fill_mass_g": _named("wax filled in, g", "candle.fill_mass_g"),
        "headspace_new_mm": _named("rim down to the wax before the first burn, mm", "candle.headspace_new_mm"),
        "burns": Column("burns so far", lambda one: len(one.candle.burns)),
        "wax_left_g": Column("wax left, g", lambda one: _either(_left(one), "value")),
        "wax_left_u_g": Column("standard uncertainty of that", lambda one: _either(_left(one), "u")),
        "lots": Column("lots it holds", lambda one: _lots(one.candle)),
        "held": _named("why it is not to be lit until released", "candle.held_reason"),
        "stopped": _named("the incident that ended its life", "candle.stopped_reason"),
        "finished": _named("why it is used up", "candle.finished_reason"),
    },
    lambda _session, candle: [_Alone(candle)],
)
NOTES = Table(
    "one note, in the tester's own words",
    {
        **_CODE,
        "burn": _named("number of the burn", "burn.number"),
        "checkpoint_min": Column(_POINT_WORDS, lambda one: _point(one.burn, one.note.checkpoint_id)),
        "at": _named("when, on the workshop's clock", "note.at"),
        "tester": _named("who", "note.tester"),
        "text": _named("the words", "note.text"),
        "claims": Column("what was read from them", lambda one: _claims(one.note)),
    },
    lambda session, candle: [_Alone(candle, note) for note in _sound(session, Note, candle)],
)
TABLES: Mapping[str, Table] = {"measurements": MEASUREMENTS, "burns": BURNS, "candles": CANDLES, "notes": NOTES}
