"""The burn log's records as evidence: the only file of this package that knows the database."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import chain
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from pooleye.burnlog import burns, find, records, states, wax_left
from pooleye.burnlog.filing import newest_reading
from pooleye.burnlog.looks import INCIDENTS
from pooleye.judge import evidence, reopened
from pooleye.judge.plan import Prices
from pooleye.measurement import Quantity

#: Looks filed within so many minutes of each other are one look: from above, from the side, by hand.
SAME_LOOK_MIN = 6.0
#: A vessel whose base is narrower than its rim by more than this is tapered, mm.
_STRAIGHT_MM = 1.0


def size_of(wick: records.Wick) -> evidence.Size:
    """A wick in the maker's order of sizes."""
    return evidence.Size(wick.name, wick.series, wick.size_order, wick.diameter_mm)


def setup_of(candle: records.Candle) -> evidence.Setup:
    """What a candle is made of."""
    vessel, pour = candle.vessel, candle.pour
    base = vessel.base_inner_mm
    return evidence.Setup(
        vessel=vessel.name,
        bore_mm=vessel.rim_inner_mm,
        wick=size_of(candle.wick),
        wax=pour.wax.name,
        vessel_kind=vessel.kind,
        straight=base is None or abs(base - vessel.rim_inner_mm) <= _STRAIGHT_MM,
        wick_count=candle.wick_count,
        fragrance=pour.fragrance.name if pour.fragrance else None,
        load_percent=pour.load_percent,
        dye=pour.dye,
        pour=pour.name,
        poured_at_c=pour.poured_at_c,
        cured_days=_cured_days(candle),
        fill_mass_g=candle.fill_mass_g,
        density_g_cm3=Quantity(pour.wax.density_g_cm3, pour.wax.density_u_g_cm3, "g/cm3"),
        lots=lots_of(candle),
    )


def _cured_days(candle: records.Candle) -> float | None:
    """Days between pour and first burn; before that, None."""
    if not candle.burns:
        return None
    return states.minutes_between(candle.cured_from, candle.burns[0].lit_at) / 1440


def lots_of(candle: records.Candle) -> dict[str, str]:
    """Component -> label of its lot; several lots of one component are joined."""
    found: dict[str, list[str]] = {}
    for lot in [one.lot for one in candle.pour.lots] + [one.lot for one in candle.lots]:
        found.setdefault(lot.component, []).append(lot.label)
    return {component: "+".join(sorted(set(labels))) for component, labels in found.items()}


@dataclass(frozen=True)
class _Filed:
    """Everything filed about one candle, read at once and sorted by burn."""

    photos: Mapping[int | None, Sequence[records.Photo]]
    by_hand: Mapping[int | None, Sequence[records.Measurement]]
    notes: Mapping[int | None, Sequence[records.Note]]
    incidents: Mapping[int | None, Sequence[records.Incident]]


def _filed(session: Session, candle: records.Candle) -> _Filed:
    """What was not struck out. Hand corrections of a photo come with its readings, not with `by_hand`."""
    readings = selectinload(records.Photo.readings).selectinload(records.Reading.measurements)
    photos = _sound(records.Photo, candle).where(records.Photo.burst_of.is_(None))
    photos = photos.options(readings, selectinload(records.Photo.checkpoint))
    measured = _sound(records.Measurement, candle).where(
        records.Measurement.by == "hand", records.Measurement.photo_id.is_(None)
    )
    return _Filed(
        _by_burn(session.scalars(photos.order_by(records.Photo.id))),
        _by_burn(session.scalars(measured.order_by(records.Measurement.at, records.Measurement.id))),
        _by_burn(session.scalars(_sound(records.Note, candle).options(selectinload(records.Note.claims)))),
        _by_burn(session.scalars(_sound(records.Incident, candle).order_by(records.Incident.at))),
    )


def _sound(kind: Any, candle: records.Candle) -> Any:
    return select(kind).where(kind.candle_id == candle.id, kind.voided_at.is_(None))


def _by_burn(rows: Iterable[Any]) -> dict[int | None, list[Any]]:
    found: dict[int | None, list[Any]] = {}
    for row in rows:
        found.setdefault(row.burn_id, []).append(row)
    return found


def candle_of(session: Session, candle: records.Candle) -> evidence.Candle:
    """One candle with all its burns."""
    left, filed = wax_left.wax_left(candle), _filed(session, candle)
    return evidence.Candle(
        code=candle.code,
        setup=setup_of(candle),
        burns=tuple(_burn(filed, candle, burn) for burn in candle.burns),
        arm=candle.arm,
        wax_left_g=left.mass if left else None,
        level_left_mm=left.level if left else None,
        over=candle.stopped_at is not None or candle.finished_at is not None or _burnt_out(candle),
        over_why=candle.stopped_reason or candle.finished_reason,
        new_values=_new_values(filed),
    )


def _burnt_out(candle: records.Candle) -> bool:
    """A tea light that was burnt in one go until it went out."""
    return candle.vessel.kind == "tea-light" and any(burn.out_how == "by-itself" for burn in candle.burns)


def _burn(filed: _Filed, candle: records.Candle, burn: records.Burn) -> evidence.Burn:
    time_ = burns.duration(burn)
    before = _wax_at(candle, burn.lit_at)
    previous = next((one for one in reversed(candle.burns) if one.number < burn.number), None)
    rested = previous is not None and previous.out_at is not None
    return evidence.Burn(
        number=burn.number,
        looks=_looks(filed, candle, burn),
        kind=burn.kind,
        lit_at=burn.lit_at,
        minutes=Quantity(time_[0], max(time_[1], 1e-3), "min") if time_ else None,
        out_how=burn.out_how,
        burnt=wax_left.burnt_in(candle, burn),
        burn_rate=wax_left.burn_rate(candle, burn),
        wax_before_g=before,
        level_before_mm=wax_left.level_of(candle, before) if before else None,
        headspace_before_mm=_headspace_cold(filed, candle, previous),
        headspace_after_mm=_headspace_cold(filed, candle, burn) if burn.out_at else None,
        trimmed_mm=burn.trimmed_to_mm,
        room_c=burn.room_c,
        rest_min=states.minutes_between(previous.out_at, burn.lit_at) if rested else None,  # type: ignore[union-attr,arg-type]
        incidents=_incidents(filed, burn),
    )


def _wax_at(candle: records.Candle, moment: datetime) -> Quantity | None:
    """Wax left at a moment, g: what was filled (or first weighed above the empty vessel), less what was burnt."""
    filled = _wax_new(candle)
    burnt = wax_left.burnt_until(candle, moment) if candle.burns and candle.burns[0].lit_at < moment else None
    if filled is None or (burnt is None and candle.burns and candle.burns[0].lit_at < moment):
        return None
    if burnt is None:
        return filled
    return Quantity.from_parts(filled.value - burnt.value, "g", {"fill": filled.u, "burnt": burnt.u})


def _wax_new(candle: records.Candle) -> Quantity | None:
    """Wax in the new candle, g; poured to the gram by eye (half a gram to either side, rectangular; judged)."""
    weighings = wax_left.sound(candle)
    first = next((one for one in weighings if not candle.burns or one.at <= candle.burns[0].lit_at), None)
    if candle.empty_mass_g is not None and first is not None:
        u = wax_left.step_u(first.step_g)
        return Quantity(first.mass_g - candle.empty_mass_g, math.hypot(u, u), "g")
    return None if candle.fill_mass_g is None else Quantity(candle.fill_mass_g, 0.5 / math.sqrt(3), "g")


def _headspace_cold(filed: _Filed, candle: records.Candle, after: records.Burn | None) -> Quantity | None:
    """Headspace taken by hand on cold wax: after a burn, or of the new candle.

    What a photo gives is left out: its headspace may have been reckoned from the very weighings it would be held to.
    """
    if after is None:
        new = candle.headspace_new_mm
        return None if new is None else Quantity(new, 1.0 / math.sqrt(3), "mm")
    if after.out_at is None:
        return None
    later = [one for one in candle.burns if one.number > after.number]
    until = later[0].lit_at if later else None
    for one in sorted(chain(*filed.by_hand.values()), key=lambda one: one.at or candle.cured_from):
        cold = one.at is not None and one.at >= after.out_at + states.LEAST_REST and (until is None or one.at <= until)
        if one.quantity == "headspace" and cold:
            return Quantity(one.value, one.u, one.unit)
    return None


def _incidents(filed: _Filed, burn: records.Burn) -> tuple[evidence.Incident, ...]:
    found = []
    for one in filed.incidents.get(burn.id, ()):
        kind = INCIDENTS.get(one.kind)
        words = f"{kind.words[0].upper()}{kind.words[1:]}: {kind.do}." if kind else (one.words or one.kind)
        source = kind.source if kind else "the log itself"
        minutes = max(0.0, states.minutes_between(burn.lit_at, one.at))
        found.append(evidence.Incident(one.kind, words, source, minutes))
    return tuple(found)


#: Minutes, values, flags and claims of a look while it is put together.
_Parts = tuple[float, dict[str, Quantity], list[str], list[evidence.Said]]


def _sootier(name: str, new: Quantity, old: Quantity) -> bool | None:
    """Whether a new value of soot counts rather than the one there: a rim is as sooty as its sootier side. None for
    any other quantity."""
    if name == "soot_delta_L":
        return new.value < old.value
    return new.value > old.value if name in ("soot_arc", "soot_view_arc") else None


class _Gathered:
    """Looks of a burn while they are put together: what was filed near the same minute is one look."""

    def __init__(self) -> None:
        self.looks: list[_Parts] = []

    def at(self, minutes: float) -> _Parts:
        """The look at this minute, a new one when there is none near."""
        near = [one for one in self.looks if abs(one[0] - minutes) <= SAME_LOOK_MIN]
        if near:
            return min(near, key=lambda one: abs(one[0] - minutes))
        self.looks.append((minutes, {}, [], []))
        return self.looks[-1]

    def add(self, minutes: float, name: str, value: Quantity) -> None:
        """Keep the surer of two values of one quantity; of soot the graver: two photos show two sides of a rim."""
        values = self.at(minutes)[1]
        if name in values:
            sootier = _sootier(name, value, values[name])
            value = value if (value.u < values[name].u if sootier is None else sootier) else values[name]
        values[name] = value


def _looks(filed: _Filed, candle: records.Candle, burn: records.Burn) -> tuple[evidence.Look, ...]:
    gathered = _Gathered()
    _from_photos(filed, burn, gathered)
    for one in filed.by_hand.get(burn.id, ()):
        if (minutes := _minutes(burn, one)) is not None:
            gathered.add(minutes, one.quantity, Quantity(one.value, one.u, one.unit))
    for note in filed.notes.get(burn.id, ()):
        if (minutes := _minutes(burn, note)) is not None:
            gathered.at(minutes)[3].extend(_said(note))
    found = []
    for minutes, values, flags, words in gathered.looks:
        _add_level(candle, burn, minutes, values)
        found.append(evidence.Look(minutes, values, tuple(dict.fromkeys(flags)), tuple(dict.fromkeys(words))))
    return (*found, *_after(filed, burn))


def _said(note: records.Note) -> list[evidence.Said]:
    """What the newest reading of a note claims, without what the note itself withdrew."""
    reader = note.claims[-1].reader if note.claims else ""
    return [
        evidence.Said(one.quantity, one.state, one.words)
        for one in note.claims
        if one.reader == reader and one.state is not None and not one.superseded
    ]


def _after(filed: _Filed, burn: records.Burn) -> list[evidence.Look]:
    """Photos taken after snuffing: what they tell of wick, soot and debris, as a look at the burn's end."""
    time_ = burns.duration(burn)
    values: dict[str, Quantity] = {}
    flags: list[str] = []
    for photo in filed.photos.get(burn.id, ()):
        if photo.phase == "after":
            by_tool = newest_reading(photo)
            flags += by_tool.flags if by_tool else []
            for name, value in (_values(by_tool) | _values(newest_reading(photo, by_hand=True))).items():
                if name not in values or _sootier(name, value, values[name]) is not False:
                    values[name] = value
    kept = {name: value for name, value in values.items() if name in evidence.AFTER_SNUFFING}
    if time_ is None or not (kept or flags):
        return []
    return [evidence.Look(time_[0], kept, tuple(dict.fromkeys(flags)), lit=False)]


def _new_values(filed: _Filed) -> dict[str, Quantity]:
    """What was measured on the new candle."""
    found: dict[str, Quantity] = {}
    for photo in filed.photos.get(None, ()):
        if photo.phase == "new":
            found.update(_values(newest_reading(photo)) | _values(newest_reading(photo, by_hand=True)))
    return found


def _from_photos(filed: _Filed, burn: records.Burn, gathered: _Gathered) -> None:
    """The newest reading of each photo, with hand corrections of its values over the tool's."""
    for photo in filed.photos.get(burn.id, ()):
        minutes = photo.checkpoint.minutes if photo.checkpoint else photo.minutes_alight
        if minutes is None or photo.phase != "alight":
            continue
        by_tool, by_hand = newest_reading(photo), newest_reading(photo, by_hand=True)
        gathered.at(minutes)[2].extend(by_tool.flags if by_tool else ())
        for name, value in {**_values(by_tool), **_values(by_hand)}.items():
            gathered.add(minutes, name, value)


def _values(reading: records.Reading | None) -> dict[str, Quantity]:
    sound = [one for one in reading.measurements if one.voided_at is None] if reading else []
    return {one.quantity: Quantity(one.value, one.u, one.unit) for one in sound}


def _minutes(burn: records.Burn, record: Any) -> float | None:
    """Minutes alight of a value or note: its checkpoint's, else from its time; None when the flame was out."""
    points = {one.id: one.minutes for one in burn.checkpoints}
    if record.checkpoint_id in points:
        return points[record.checkpoint_id]
    if record.at is None or record.at < burn.lit_at or (burn.out_at is not None and record.at > burn.out_at):
        return None
    return states.minutes_between(burn.lit_at, record.at)


def _add_level(candle: records.Candle, burn: records.Burn, minutes: float, values: dict[str, Quantity]) -> None:
    """How high the wax left would stand, solid, at a look; by the weighings."""
    wax = _wax_at(candle, burn.lit_at + timedelta(minutes=minutes))
    if wax is not None:
        values["wax_left_level"] = wax_left.level_of(candle, wax)


# ---- trials, recipes, prices --------------------------------------------------------------------------------------


def trial_of(session: Session, name: str) -> evidence.Trial:
    """A trial with its candles and every wick of the log. Raises PooleyeError for an unknown name."""
    trial = find.named(session, records.Trial, name)
    wicks = session.scalars(select(records.Wick).order_by(records.Wick.series, records.Wick.size_order))
    candles = tuple(candle_of(session, one) for one in trial.candles)
    return evidence.Trial(trial.name, trial.varies, candles, tuple(size_of(one) for one in wicks), trial.question)


def recipe_of(candles: Sequence[evidence.Candle], varies: str) -> reopened.Recipe:
    """What a trial's candles share, without the thing that varies."""
    first = candles[0].setup
    lots = {
        name: label for name, label in first.lots.items() if all(one.setup.lots.get(name) == label for one in candles)
    }
    return reopened.Recipe(
        vessel=None if varies == "vessel" else first.vessel,
        wax=None if varies == "wax" else first.wax,
        fragrance=None if varies == "fragrance" else first.fragrance or "none",
        load_percent=None if varies == "load" else first.load_percent,
        dye=None if varies == "dye" else first.dye or "none",
        lots={name: label for name, label in lots.items() if name != varies},
    )


def newest_recipe(session: Session, recipe: reopened.Recipe) -> reopened.Recipe | None:
    """The lots of the newest pour of the same wax and fragrance: what a maker pours now. None without such a pour."""
    for pour in session.scalars(select(records.Pour).order_by(records.Pour.poured_at.desc(), records.Pour.id.desc())):
        fragrance = pour.fragrance.name if pour.fragrance else "none"
        if pour.wax.name != recipe.wax or fragrance != recipe.fragrance:
            continue
        lots = {one.lot.component: one.lot.label for one in pour.lots if one.lot.component in recipe.lots}
        return reopened.Recipe(lots=lots)
    return None


def prices_of(session: Session, names: dict[str, str | None], currency: str) -> Prices:
    """Prices from the newest priced lots of a wax, fragrance, wick and vessel, in one currency."""
    wax = _unit_price(session, "wax", names.get("wax"), currency)
    fragrance = _unit_price(session, "fragrance", names.get("fragrance"), currency)
    return Prices(
        wax_kg=None if wax is None else 1000 * wax,
        fragrance_kg=None if fragrance is None else 1000 * fragrance,
        wick=_unit_price(session, "wick", names.get("wick"), currency),
        vessel=_unit_price(session, "vessel", names.get("vessel"), currency),
        currency=currency,
    )


def _unit_price(session: Session, component: str, name: str | None, currency: str) -> float | None:
    """Price of a gram or a piece; None when no lot of it has one in this currency."""
    if name is None:
        return None
    query = select(records.Lot).where(records.Lot.component == component).order_by(records.Lot.id.desc())
    for lot in session.scalars(query):
        fits = lot.of.casefold() == name.casefold() and lot.currency == currency
        if fits and lot.price_minor is not None and lot.amount:
            return lot.price_minor / 100 / lot.amount
    return None


def burnt_candles(session: Session) -> Iterable[records.Candle]:
    """Candles that were lit at least once, those alight first."""
    found = [one for one in session.scalars(select(records.Candle).order_by(records.Candle.id)) if one.burns]
    return sorted(found, key=lambda one: states.running_burn(one) is None)
