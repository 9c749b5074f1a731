"""Photos into the log: kept, filed at their place, measured, and the numbers kept; each step can be repeated safely."""

from __future__ import annotations

import difflib
import hashlib
import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import bench, find, wax_left
from pooleye.burnlog.bench import Place
from pooleye.burnlog.history import Author
from pooleye.burnlog.photo_files import keep_file, place_of
from pooleye.burnlog.records import Candle, Measurement, Photo, Reading
from pooleye.burnlog.store import Workspace
from pooleye.burst import FEWEST
from pooleye.errors import PooleyeError
from pooleye.measurement import QUANTITIES, Quantity

if TYPE_CHECKING:
    from pooleye.measurement import PhotoResult
    from pooleye.measuring import Vessel

# Solid wax lost at a nominal rate, for a first burn that was not weighed yet: 0.075 g/h per mm of bore (50 to 90 mm
# bores burn 3 to 8 g/h; from memory, wide). Used only while its uncertainty on the headspace stays below the limit.
_NOMINAL_G_H_PER_MM, _NOMINAL_REL_U = 0.075, 0.3
_HEADSPACE_U_LIMIT_MM = 2.5
# Method of readings that are corrections by hand.
_BY_HAND = "hand/"


@dataclass(frozen=True)
class Filed:
    """A photo in the log. ``already``: it was there; ``place`` is then where it had been filed."""

    photo_id: int
    sha256: str
    place: Place
    already: bool


@dataclass(frozen=True)
class MeasureJob:
    """All that measuring a photo needs, without the database; can be sent to another process or machine.

    ``vessel``: rim_inner_mm, rim_outer_mm, base_inner_mm, height_mm. ``headspace_how``: where the headspace is from.
    ``burst``: paths of the other stills of a burst, by their SHA-256.
    """

    photo_id: int
    name: str
    path: str
    view: str
    vessel: tuple[float, float | None, float | None, float | None]
    headspace_mm: float | None = None
    headspace_how: str | None = None
    baseline: str | None = None
    baseline_sha256: str | None = None
    baseline_headspace_mm: float | None = None
    burst: Mapping[str, str] = field(default_factory=dict)

    def inputs(self) -> dict[str, Any]:
        """What the numbers depend on besides the photo and the method; no path, so that a moved folder changes none."""
        stills = {"burst": sorted(self.burst)} if self.burst else {}
        return stills | {
            "view": self.view,
            "vessel": list(self.vessel),
            "headspace_mm": self.headspace_mm,
            "headspace_how": self.headspace_how,
            "baseline_sha256": self.baseline_sha256,
            "baseline_headspace_mm": self.baseline_headspace_mm,
        }

    def inputs_sha256(self) -> str:
        """Hash of the inputs, hex."""
        return hashlib.sha256(json.dumps(self.inputs(), sort_keys=True).encode()).hexdigest()


Outcome = Mapping[str, Any]
Measurer = Callable[[MeasureJob], Outcome]


def measure_job(job: MeasureJob) -> dict[str, Any]:
    """Measure one photo or burst: {"result": the contract's object, "parts": quantity -> named parts of its u}."""
    from pooleye.measuring import Vessel, measure_photo

    vessel = Vessel(*job.vessel)
    if job.burst:
        result = _measure_burst(job, vessel)
    else:
        result = measure_photo(
            job.path,
            vessel,
            view=job.view,  # type: ignore[arg-type]
            headspace_mm=job.headspace_mm,
            baseline=job.baseline,
            baseline_headspace_mm=job.baseline_headspace_mm,
        )
    parts = {name: dict(quantity.parts) for name, quantity in result.quantities.items()}
    return {"result": {**result.as_json(), "photo": job.name}, "parts": parts}


def _measure_burst(job: MeasureJob, vessel: Vessel) -> PhotoResult:
    """The stills as one; without outlines where they belong to another still than the one that bears the result."""
    from pooleye.measurement import Outlines
    from pooleye.measuring import measure_burst

    result = measure_burst([job.path, *job.burst.values()], vessel, headspace_mm=job.headspace_mm).result
    return result if result.photo == job.path else replace(result, outlines_px=Outlines())


def file_photo(
    workspace: Workspace,
    path: Path,
    place: Place,
    *,
    found_how: str,
    filed_by: str = "tool",
    view: str = "auto",
    taken_at: datetime | None = None,
    clock_offset_s: float = 0.0,
    burst_of: str | None = None,
) -> Filed:
    """Keep the bytes, then file them; a photo already in the log stays where it is.

    The bytes are safe on disk before the log speaks of them, so a kill between the two loses nothing.
    """
    kept = keep_file(workspace.photos, path)
    with workspace.write(Author(by=filed_by)) as session:
        known = session.scalar(select(Photo).where(Photo.sha256 == kept.sha256))
        if known is not None:
            return Filed(known.id, known.sha256, place_of_photo(known), True)
        candle = find.candle(session, place.candle)
        name = path.name.encode("utf-8", "replace").decode()  # a name in another encoding is no text to a database
        photo = Photo(sha256=kept.sha256, suffix=kept.suffix, bytes=kept.bytes, original_name=name)
        for key, value in bench.ids_of(session, candle, place).items():
            setattr(photo, key, value)
        photo.phase, photo.minutes_alight, photo.view = place.phase, place.minutes_alight, view
        photo.taken_at, photo.clock_offset_s = taken_at, clock_offset_s
        photo.filed_by, photo.found_how, photo.burst_of = filed_by, found_how, burst_of
        session.add(photo)
        session.flush()
        return Filed(photo.id, photo.sha256, place, False)


def place_of_photo(photo: Photo) -> Place:
    """Where a photo is filed."""
    number = photo.burn.number if photo.burn else None
    point = photo.checkpoint.minutes if photo.checkpoint else None
    return Place(photo.candle.code, photo.phase, number, photo.minutes_alight, point)


def _hand_headspace(session: Session, photo: Photo) -> float | None:
    """The headspace measured by hand at the same checkpoint, or on the new candle."""
    query = select(Measurement).where(
        Measurement.candle_id == photo.candle_id,
        Measurement.quantity == "headspace",
        Measurement.by == "hand",
        Measurement.voided_at.is_(None),
        Measurement.checkpoint_id == photo.checkpoint_id
        if photo.checkpoint_id
        else Measurement.burn_id == photo.burn_id,
    )
    rows = list(session.scalars(query.order_by(Measurement.id)))
    return rows[-1].value if rows else None


def new_headspace(session: Session, candle: Candle) -> float | None:
    """Headspace of the new candle: as entered, as measured by hand, or inner depth less the fill height."""
    if candle.headspace_new_mm is not None:
        return candle.headspace_new_mm
    by_hand = session.scalar(
        select(Measurement).where(
            Measurement.candle_id == candle.id,
            Measurement.quantity == "headspace",
            Measurement.by == "hand",
            Measurement.burn_id.is_(None),
            Measurement.voided_at.is_(None),
        )
    )
    if by_hand is not None:
        return by_hand.value
    depth = candle.vessel.inner_depth_mm
    if depth is None or candle.fill_mass_g is None:
        return None
    fill_mm = candle.fill_mass_g / (candle.pour.wax.density_g_cm3 * 1e-3 * wax_left.bore_area_mm2(candle))
    return depth - fill_mm if 0 < fill_mm < depth else None


def _moment_of(photo: Photo) -> datetime | None:
    if photo.burn is None:
        return None
    if photo.phase == "after":
        return photo.burn.out_at
    return photo.burn.lit_at + timedelta(minutes=photo.minutes_alight or 0.0)


def _burnt(candle: Candle, moment: datetime) -> tuple[float, float, str] | None:
    """(mass burnt in g, its u, where it is from)."""
    weighed = wax_left.burnt_until(candle, moment)
    if weighed is not None:
        return weighed.value, weighed.u, "new headspace and weighings"
    hours = sum(
        max(0.0, (min(moment, burn.out_at or moment) - burn.lit_at).total_seconds() / 3600)
        for burn in candle.burns
        if burn.lit_at < moment
    )
    lost = hours * _NOMINAL_G_H_PER_MM * candle.vessel.rim_inner_mm * candle.wick_count
    return lost, _NOMINAL_REL_U * lost, "new headspace and a nominal burn rate"


def headspace_of(session: Session, photo: Photo) -> tuple[float | None, str | None]:
    """(rim down to the wax in mm, where that is from) at a photo's moment; (None, None) when the log cannot tell."""
    by_hand = _hand_headspace(session, photo)
    if by_hand is not None:
        return by_hand, "measured by hand"
    candle = photo.candle
    new, moment = new_headspace(session, candle), _moment_of(photo)
    if new is None:
        return None, None
    if moment is None:
        return new, "new headspace"
    grams, grams_u, how = _burnt(candle, moment) or (math.nan, math.nan, "")
    per_gram = 1 / (candle.pour.wax.density_g_cm3 * 1e-3 * wax_left.bore_area_mm2(candle))
    if not grams_u * per_gram <= _HEADSPACE_U_LIMIT_MM:
        return None, None
    deepest = candle.vessel.height_mm or candle.vessel.inner_depth_mm
    headspace = new + grams * per_gram
    return (None, None) if deepest is not None and headspace >= deepest else (round(headspace, 2), how)


def _baseline(session: Session, photo: Photo) -> Photo | None:
    """The candle's own photo from when it was new, taken from above; the earliest one."""
    query = select(Photo).where(
        Photo.candle_id == photo.candle_id, Photo.phase == "new", Photo.voided_at.is_(None), Photo.view != "side"
    )
    for one in session.scalars(query.order_by(Photo.id)):
        reading = newest_reading(one)
        seen_as = reading.result.get("view") if reading else "top"
        if seen_as != "side" and one.id != photo.id:
            return one
    return None


def stills_of(session: Session, photo: Photo) -> list[Photo]:
    """The other stills of the burst whose result a photo bears."""
    query = select(Photo).where(Photo.burst_of == photo.sha256, Photo.voided_at.is_(None))
    return list(session.scalars(query.order_by(Photo.id)))


def job_for(session: Session, workspace: Workspace, photo: Photo) -> MeasureJob:
    """What to measure a filed photo with, from what the log knows now."""
    vessel = photo.candle.vessel
    headspace, how = headspace_of(session, photo)
    others = stills_of(session, photo)
    stills = others if 1 + len(others) >= FEWEST else []  # some may have been struck out
    from_side = photo.view == "side" or bool(stills)
    baseline = None if photo.phase == "new" or from_side else _baseline(session, photo)
    return MeasureJob(
        photo_id=photo.id,
        name=photo.original_name,
        path=str(place_of(workspace.photos, photo.sha256, photo.suffix)),
        view=photo.view,
        vessel=(vessel.rim_inner_mm, vessel.rim_outer_mm, vessel.base_inner_mm, vessel.height_mm),
        headspace_mm=headspace,
        headspace_how=how,
        baseline=str(place_of(workspace.photos, baseline.sha256, baseline.suffix)) if baseline else None,
        baseline_sha256=baseline.sha256 if baseline else None,
        baseline_headspace_mm=new_headspace(session, photo.candle) if baseline else None,
        burst={one.sha256: str(place_of(workspace.photos, one.sha256, one.suffix)) for one in stills},
    )


def record_reading(workspace: Workspace, job: MeasureJob, outcome: Outcome) -> bool:
    """Keep a photo's result and its quantities in one transaction; once per photo, method and inputs.

    Returns whether it is new.
    """
    result, parts = outcome["result"], outcome.get("parts", {})
    with workspace.write(Author(by="tool")) as session:
        photo = session.get_one(Photo, job.photo_id)
        digest = job.inputs_sha256()
        if any(one.method == result["method"] and one.inputs_sha256 == digest for one in photo.readings):
            return False
        reading = Reading(photo=photo, method=result["method"], inputs_sha256=digest, inputs=job.inputs())
        reading.status, reading.reason = result["status"], result["reason"]
        reading.flags, reading.result = list(result["flags"]), dict(result)
        session.add(reading)
        session.flush()
        for name, quantity in result["quantities"].items():
            session.add(_measurement(photo, reading, name, quantity, parts.get(name, {})))
        return True


def _measurement(
    photo: Photo, reading: Reading, name: str, quantity: Mapping[str, Any], parts: Mapping[str, float]
) -> Measurement:
    return Measurement(
        candle_id=photo.candle_id,
        burn_id=photo.burn_id,
        checkpoint_id=photo.checkpoint_id,
        photo_id=photo.id,
        reading_id=reading.id,
        at=photo.taken_at,
        quantity=name,
        value=quantity["value"],
        u=quantity["u"],
        unit=quantity["unit"],
        parts=dict(parts),
        flags=list(reading.flags),
        method=reading.method,
        by="tool",
    )


def newest_reading(photo: Photo, *, by_hand: bool = False) -> Reading | None:
    """The reading that counts: the tool's newest one, or the newest correction by hand."""
    fit = [one for one in photo.readings if one.method.startswith(_BY_HAND) == by_hand]
    return fit[-1] if fit else None


def correct_by_hand(
    workspace: Workspace, sha256: str, quantities: Mapping[str, Quantity], *, who: str | None = None,
    outlines_px: Mapping[str, Any] | None = None,
) -> int:  # fmt: skip
    """Keep a person's own values for a filed photo beside the tool's, never over them; returns the reading's number.

    ``outlines_px``: what the person drew, in the contract's form. Raises PooleyeError for an unknown photo, quantity or
    unit, or when nothing was given.
    """
    if not quantities:
        raise PooleyeError("nothing-said", "no quantity was given", hint="for instance pool_diameter 58mm")
    for name, quantity in quantities.items():
        _check_quantity(name, quantity)
    with workspace.write(Author("hand", who)) as session:
        photo = session.scalar(select(Photo).where(Photo.sha256 == sha256))
        if photo is None:
            raise PooleyeError(
                "unknown-photo", f"the log has no photo {sha256[:12]}", hint="file it first: pooleye snap"
            )
        number = 1 + sum(one.method.startswith(_BY_HAND) for one in photo.readings)
        values = {name: {"value": one.value, "u": one.u, "unit": one.unit} for name, one in quantities.items()}
        reading = Reading(photo=photo, method=f"{_BY_HAND}1", inputs_sha256=f"correction {number}", inputs={"who": who})
        reading.status, reading.reason, reading.flags = "measured", None, []
        reading.result = {"quantities": values, "outlines_px": dict(outlines_px or {}), "view": photo.view}
        session.add(reading)
        session.flush()
        for name, value in values.items():
            record = _measurement(photo, reading, name, value, dict(quantities[name].parts))
            record.by, record.who = "hand", who
            session.add(record)
        return number


def _check_quantity(name: str, quantity: Quantity) -> None:
    if name not in QUANTITIES:
        near = difflib.get_close_matches(name, QUANTITIES, n=1)
        hint = f"did you mean {near[0]}?" if near else f"for instance {', '.join(list(QUANTITIES)[:4])}"
        raise PooleyeError("unknown-quantity", f"there is no quantity “{name}”", hint=hint)
    if quantity.unit != QUANTITIES[name][0]:
        raise PooleyeError("wrong-unit", f"{name} is in {QUANTITIES[name][0]}, not {quantity.unit}", hint="convert it")


def unmeasured(session: Session) -> list[Photo]:
    """Photos that were filed but have no reading: what a kill between the two steps leaves."""
    measured = select(Reading.photo_id).where(Reading.method.not_like(f"{_BY_HAND}%"))
    query = select(Photo).where(Photo.id.not_in(measured), Photo.voided_at.is_(None), Photo.burst_of.is_(None))
    return list(session.scalars(query.order_by(Photo.phase != "new", Photo.id)))


def move_photo(session: Session, photo: Photo, place: Place) -> None:
    """File a photo elsewhere, with its measurements and its burst; the earlier place stays in the history."""
    candle = find.candle(session, place.candle)
    keys = bench.ids_of(session, candle, place)
    photos = [photo, *stills_of(session, photo)]
    measurements = session.scalars(select(Measurement).where(Measurement.photo_id.in_([one.id for one in photos])))
    for record in (*photos, *measurements):
        for key, value in keys.items():
            setattr(record, key, value)
    for one in photos:
        one.phase, one.minutes_alight = place.phase, place.minutes_alight
