"""The burn log's looks and notes as the audit needs them: what was measured at a moment, and who wrote what there."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from pooleye.audit.compare import Evidence, Measured
from pooleye.burnlog import bench, find, records
from pooleye.burnlog.filing import newest_reading
from pooleye.errors import PooleyeError
from pooleye.flags import REASONS

#: What a photo taken after snuffing still tells; pool and flame are gone.
AFTER_SNUFFING = frozenset({"wick_offset", "wick_lean", "soot_delta_L", "soot_darkest", "soot_arc",
                            "carbon_ball_diameter", "debris_count"})  # fmt: skip
BY_HAND = "by hand"
#: From the side a burning candle shows its flame; a photo perhaps from the side with one of these is not believed.
_NO_FLAME = {"flame-none", "flame-unseen"}


@dataclass
class Look:
    """One moment of a candle: before its first burn (``new``), ``alight`` so many minutes, or ``after`` a burn.

    ``sources``: quantity -> photo or "by hand". ``ranks``: a lower one goes before a higher, whatever their u.
    ``amiss``: why a photo of the look gave nothing.
    """

    candle: str
    burn: int | None
    phase: str
    minutes: float | None
    evidence: dict[str, Measured] = field(default_factory=dict)
    sources: dict[str, str] = field(default_factory=dict)
    ranks: dict[str, int] = field(default_factory=dict)
    photos: list[str] = field(default_factory=list)
    amiss: list[str] = field(default_factory=list)

    def add(self, name: str, value: Measured, source: str, rank: int = 0) -> None:
        """Keep the value of the lower rank, of two of one rank the surer one."""
        kept = self.evidence.get(name)
        if kept is None or (self.ranks[name], kept.u) > (rank, value.u):
            self.evidence[name], self.sources[name], self.ranks[name] = value, source, rank

    def near(self, other: Look) -> bool:
        """Is the other one and the same look?"""
        if (self.candle, self.burn, self.phase) != (other.candle, other.burn, other.phase):
            return False
        return self.minutes is None or abs(self.minutes - (other.minutes or 0.0)) <= bench.SAME_LOOK_MIN


@dataclass(frozen=True)
class Written:
    """A note of the log. ``place``: the look that it was written at."""

    id: int
    text: str
    tester: str | None
    at: datetime
    place: Look


@dataclass(frozen=True)
class CandleLog:
    """What the log holds of one candle: its looks in order, its notes, and the incidents kept of each burn."""

    code: str
    looks: tuple[Look, ...]
    notes: tuple[Written, ...]
    incidents: Mapping[int | None, frozenset[str]]

    def look_at(self, place: Look) -> Look | None:
        """The look at a note's place, the nearest in time."""
        found = [one for one in self.looks if one.near(place)]
        return min(found, key=lambda one: abs((one.minutes or 0.0) - (place.minutes or 0.0)), default=None)

    def look_after(self, burn: int | None, minutes: float) -> Look | None:
        """The first look of a burn at or after so many minutes that has a photo."""
        later = [one for one in self.looks if one.burn == burn and one.photos and (one.minutes or -1.0) >= minutes]
        return min(later, key=lambda one: one.minutes or 0.0, default=None)


def chosen(session: Session, codes: Sequence[str], trial: str | None) -> list[records.Candle]:
    """The candles meant: those named, those of a trial, or all. Raises PooleyeError for unknown names, and for both."""
    if codes and trial is not None:
        raise PooleyeError("candles-and-trial", "codes and a trial were both given", hint="give one of the two")
    if codes:
        return find.candles(session, codes)
    if trial is not None:
        return list(find.named(session, records.Trial, trial).candles)
    return list(session.scalars(select(records.Candle).order_by(records.Candle.id)))


def candle_log(session: Session, candle: records.Candle) -> CandleLog:
    """Everything of one candle that was not struck out."""
    numbers: dict[int | None, int] = {burn.id: burn.number for burn in candle.burns}
    minutes = {point.id: point.minutes for burn in candle.burns for point in burn.checkpoints}
    looks: list[Look] = []

    def look(place: Look) -> Look:
        found = next((one for one in looks if one.near(place)), place)
        if found is place:
            looks.append(place)
        return found

    readings = selectinload(records.Photo.readings).selectinload(records.Reading.measurements)
    photos = _sound(records.Photo, candle).where(records.Photo.burst_of.is_(None)).options(readings)
    for photo in session.scalars(photos.order_by(records.Photo.id)):
        at = minutes.get(photo.checkpoint_id or 0, photo.minutes_alight) if photo.phase == "alight" else None
        _add_photo(look(Look(candle.code, numbers.get(photo.burn_id), photo.phase, at)), photo)
    by_hand = _sound(records.Measurement, candle).where(
        records.Measurement.by == "hand", records.Measurement.photo_id.is_(None)
    )
    for one in session.scalars(by_hand.order_by(records.Measurement.id)):
        place = _place(candle, one, numbers, minutes)
        look(place).add(one.quantity, Measured(one.value, one.u, one.unit), BY_HAND, rank=2)
    notes = [
        Written(one.id, one.text, one.tester, one.at, _place(candle, one, numbers, minutes))
        for one in session.scalars(_sound(records.Note, candle).order_by(records.Note.at, records.Note.id))
    ]
    kinds: dict[int | None, set[str]] = {}
    for incident in session.scalars(_sound(records.Incident, candle)):
        kinds.setdefault(numbers.get(incident.burn_id), set()).add(incident.kind)
    looks.sort(key=lambda one: (one.burn or 0, one.phase != "alight", one.minutes or 0.0))
    return CandleLog(candle.code, tuple(looks), tuple(notes), {burn: frozenset(found) for burn, found in kinds.items()})


def _sound(kind: Any, candle: records.Candle) -> Any:
    return select(kind).where(kind.candle_id == candle.id, kind.voided_at.is_(None))


def _place(
    candle: records.Candle, record: Any, numbers: Mapping[int | None, int], minutes: Mapping[int, float]
) -> Look:
    """Where a note or a value taken by hand stands, by its checkpoint, else by its time."""
    burn = numbers.get(record.burn_id)
    if record.checkpoint_id in minutes:
        return Look(candle.code, burn, "alight", minutes[record.checkpoint_id])
    return Look(candle.code, burn, "new" if burn is None else "after", None)


def _add_photo(look: Look, photo: records.Photo) -> None:
    """What a photo shows: the tool's newest reading, a person's corrections over it."""
    look.photos.append(photo.original_name)
    reading, corrected = newest_reading(photo), newest_reading(photo, by_hand=True)
    if reading is None:
        look.amiss.append(f"{photo.original_name} is not measured yet")
    elif reading.status == "declined":
        known = REASONS.get(reading.reason or "")
        why = known.meaning.rstrip(".") if known else reading.reason or "declined"
        look.amiss.append(f"{photo.original_name} could not be measured ({why[0].lower()}{why[1:]})")
    from_side = reading is not None and reading.result.get("view") == "side"
    doubtful = reading is not None and "view-uncertain" in reading.flags and _NO_FLAME & set(reading.flags)
    if doubtful and from_side and look.phase == "alight":
        look.amiss.append(f"{photo.original_name} may be from above, not from the side, and is not used")
        reading = None
    for name, value in {**_values(reading), **_values(corrected)}.items():
        # A side photo judges the glass from outside; testers speak of the inside of the rim, which is seen from above.
        rank = 1 if from_side and name.startswith("soot") else 0
        if look.phase != "after" or name in AFTER_SNUFFING:
            look.add(name, value, photo.original_name, rank)


def _values(reading: records.Reading | None) -> Evidence:
    if reading is None:
        return {}
    found = {one.quantity: Measured(one.value, one.u, one.unit) for one in reading.measurements if not one.voided_at}
    sectors = (reading.result.get("by_clock") or {}).get("soot_delta_L") or {}
    return with_darkest(found, sectors.get("values") or ())


def with_darkest(found: Evidence, sectors: Sequence[float | None]) -> Evidence:
    """`soot_darkest` beside the mean of the wall: its darkest twelfth.

    Its u, by docs/accuracy.md: half of the sooty ones, about 12 L* darker, lie within 2.5 of the truth, which a normal
    distribution does with u 3.7; and a film of some 4 L* may be read as clean, hence u 1.5 where nothing is read.
    """
    shown = [value for value in sectors if value is not None]
    if not shown or "soot_delta_L" not in found:
        return found
    darkest = min(shown)
    return {**found, "soot_darkest": Measured(darkest, math.hypot(1.5, 0.3 * darkest), "1")}
