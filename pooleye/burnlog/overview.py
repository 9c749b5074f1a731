"""What is on the table, what is due, and one candle's life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy import select, union
from sqlalchemy.orm import Session

from pooleye.burnlog import find, states, wax_left
from pooleye.burnlog.burns import duration
from pooleye.burnlog.filing import newest_reading
from pooleye.burnlog.looks import hand_said
from pooleye.burnlog.records import Burn, Candle, Incident, Measurement, Note, Photo, Reading
from pooleye.burnlog.results import Advice, by_gravity, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.burnlog.weighing import BurnOut, burn_out_of
from pooleye.measurement import Quantity

# A checkpoint counts as taken when a photo, note or value was filed at it; it is overdue this long after its time.
_OVERDUE_MIN = 15.0
# Candles whose life is over are told up to this number, the latest.
_AT_MOST = 12


@dataclass(frozen=True)
class OnTable:
    """One candle as it is now."""

    candle: str
    state: str
    vessel: str
    wick: str
    arm: str | None
    burns: int
    burn_number: int | None = None
    minutes_alight: float | None = None
    next_look_min: float | None = None
    waits_until: datetime | None = None
    why: str | None = None
    wax_left: Quantity | None = None


@dataclass(frozen=True)
class Status:
    """The table: stops first, then what is alight, then the rest."""

    workspace: str
    at: datetime
    zone_offset_h: float
    candles: tuple[OnTable, ...]
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """Grouped by state."""
        lines = [f"{self.workspace}: {len(self.candles)} candles"]
        if not self.candles:
            first = "pooleye pour --vessel jar --rim-inner 76mm --wax soy --wick 'wick 3' --candles 3"
            return [*lines, f"nothing poured yet; begin with: {first}"]
        for state in states.STATES:
            rows = [one for one in self.candles if one.state == state]
            shown = rows[-_AT_MOST:] if state in ("used-up", "stopped") else rows
            if rows:
                lines += [f"{state} ({len(rows)})", *(f"  {self._row(one)}" for one in shown)]
            if len(shown) < len(rows):
                lines.append(f"  and {len(rows) - len(shown)} before these")
        return with_advice(self.advice, lines)

    def _row(self, one: OnTable) -> str:
        label = f"{one.candle}  {one.wick} in {one.vessel}" + (f", arm {one.arm}" if one.arm else "")
        if one.state == "alight":
            look = f", look at {say_minutes(one.next_look_min)}" if one.next_look_min else ", no look planned any more"
            return f"{label}: burn {one.burn_number}, {say_minutes(one.minutes_alight or 0.0)}{look}"
        if one.waits_until:
            local = one.waits_until + timedelta(hours=self.zone_offset_h)
            return f"{label}: {_burns(one.burns)}, until {local:%Y-%m-%d %H:%M}"
        return f"{label}: {_burns(one.burns)}" + (f" ({one.why})" if one.why else "")


def _burns(count: int) -> str:
    return "1 burn" if count == 1 else f"{count} burns"


def _next_look(burn: Burn, minutes: float, done: set[int]) -> float | None:
    open_ = [one.minutes for one in burn.checkpoints if one.planned and one.id not in done]
    waiting = [one for one in open_ if one + _OVERDUE_MIN >= minutes]
    return min(waiting, default=None)


def looked_at(session: Session, burn: Burn) -> set[int]:
    """Checkpoints of a burn at which something was filed."""
    filed = [
        select(kind.checkpoint_id).where(kind.burn_id == burn.id, kind.voided_at.is_(None))
        for kind in (Photo, Measurement, Note)
    ]
    return {one for one in session.scalars(union(*filed)) if one is not None}


def _on_table(session: Session, candle: Candle, now: datetime) -> OnTable:
    state, last = states.state_of(candle, now), states.last_burn(candle)
    left = wax_left.wax_left(candle)
    row = OnTable(candle.code, state, candle.vessel.name, candle.wick.name, candle.arm, len(candle.burns))
    row = replace(row, wax_left=left.mass if left else None)
    return _with_state(session, candle, row, last, now)


def _with_state(session: Session, candle: Candle, row: OnTable, last: Burn | None, now: datetime) -> OnTable:
    if row.state == "alight" and last is not None:
        minutes = states.minutes_between(last.lit_at, now)
        look = _next_look(last, minutes, looked_at(session, last))
        return replace(row, burn_number=last.number, minutes_alight=minutes, next_look_min=look)
    if row.state == "curing":
        return replace(row, waits_until=states.cured_until(candle))
    if row.state == "resting" and last is not None and last.out_at is not None:
        return replace(row, waits_until=last.out_at + states.USUAL_REST)
    why = {"held": candle.held_reason, "stopped": candle.stopped_reason, "used-up": candle.finished_reason}
    return replace(row, why=why.get(row.state))


def status(workspace: Workspace) -> Status:
    """What is on the table now."""
    now = workspace.now()
    with workspace.read() as session:
        candles = find.all_candles(session)
        rows = tuple(_on_table(session, one, now) for one in candles)
        advice = tuple(item.as_advice() for item in _due(session, candles, now) if item.late)
        offset = (now.astimezone(workspace.zone).utcoffset() or timedelta()).total_seconds() / 3600
        return Status(workspace.settings.name, now, offset, rows, advice)


@dataclass(frozen=True)
class Due:
    """Something to do. ``what``: checkpoint, end-of-burn, stopped-but-alight, cure-ends; ``in_minutes`` from now."""

    candle: str
    what: str
    at: datetime
    in_minutes: float
    text: str

    @property
    def late(self) -> bool:
        """Whether its time has passed by more than a moment."""
        return self.in_minutes < -1

    def as_advice(self) -> Advice:
        """The same as a caution, or a stop for a stopped candle that still burns."""
        return Advice("stop" if self.what == "stopped-but-alight" else "caution", self.what, self.text)


@dataclass(frozen=True)
class DueList:
    """What is due, the most overdue first."""

    at: datetime
    due: tuple[Due, ...]

    def said(self) -> list[str]:
        """One line each."""
        advice = tuple(one.as_advice() for one in self.due if one.late)
        coming = [one.text for one in self.due if not one.late]
        return with_advice(advice, coming) or ["nothing is due"]


def _burn_due(session: Session, burn: Burn, now: datetime) -> list[Due]:
    code, found = burn.candle.code, []
    if burn.candle.stopped_at is not None and burn.candle.stopped_at >= burn.lit_at:
        text = f"{code} was stopped ({burn.candle.stopped_reason}) and is still alight: put it out now"
        found.append(Due(code, "stopped-but-alight", burn.candle.stopped_at, -1e6, text))
    done = looked_at(session, burn)
    open_ = [point.minutes for point in burn.checkpoints if point.planned and point.id not in done]
    found += [_due_at(code, "checkpoint", burn, minutes, now) for minutes in _still_useful(burn, open_, now)]
    if burn.planned_minutes:
        found.append(_due_at(code, "end-of-burn", burn, burn.planned_minutes, now))
    return found


def _still_useful(burn: Burn, minutes: list[float], now: datetime) -> list[float]:
    """Looks to come, and the latest one missed; earlier ones, and all once the burn should have ended, are lost."""
    alight = states.minutes_between(burn.lit_at, now)
    missed = [one for one in minutes if one <= alight]
    if burn.planned_minutes and alight > burn.planned_minutes + _OVERDUE_MIN:
        missed = []
    return missed[-1:] + [one for one in minutes if one > alight]


def _due_at(code: str, what: str, burn: Burn, minutes: float, now: datetime) -> Due:
    at = burn.lit_at + timedelta(minutes=minutes)
    left = states.minutes_between(now, at)
    when = f"in {say_minutes(left)}" if left > 0 else f"{say_minutes(-left)} overdue" if left < -1 else "now"
    named = "snuff it" if what == "end-of-burn" else f"look at {say_minutes(minutes)}"
    return Due(code, what, at, left, f"{code} burn {burn.number}: {named}, {when}")


def _due(session: Session, candles: Sequence[Candle], now: datetime) -> list[Due]:
    running = [burn for one in candles if (burn := states.running_burn(one)) is not None]
    found = [one for burn in running for one in _burn_due(session, burn, now)]
    for candle in candles:
        if states.state_of(candle, now) == "curing":
            until = states.cured_until(candle)
            left = states.minutes_between(now, until)
            text = f"{candle.code}: cure ends in {left / 1440:.1f} days"
            found.append(Due(candle.code, "cure-ends", until, left, text))
    return sorted(found, key=lambda one: one.in_minutes)


def due(workspace: Workspace) -> DueList:
    """What is to be done: looks, ends of burns, cures that end."""
    now = workspace.now()
    with workspace.read() as session:
        return DueList(now, tuple(_due(session, find.all_candles(session), now)))


@dataclass(frozen=True)
class FiledPhoto:
    """A photo in a candle's life. ``quantities``: the tool's newest reading; ``by_hand``: the newest correction."""

    sha256: str
    name: str
    phase: str
    minutes_alight: float | None
    checkpoint_minutes: float | None
    view: str
    status: str | None
    reason: str | None
    flags: tuple[str, ...]
    quantities: dict[str, Quantity]
    by_hand: dict[str, Quantity]


@dataclass(frozen=True)
class BurnShown:
    """One burn with all that was filed in it."""

    number: int
    kind: str
    lit_at: datetime
    out_at: datetime | None
    out_how: str | None
    minutes: float | None
    minutes_u: float | None
    trimmed_mm: float | None
    burnt: Quantity | None
    burn_rate: Quantity | None
    photos: tuple[FiledPhoto, ...]
    by_hand: tuple[tuple[float | None, str, Quantity], ...]
    notes: tuple[tuple[float | None, str | None, str], ...]
    incidents: tuple[str, ...]


@dataclass(frozen=True)
class CandleShown:
    """One candle's life."""

    candle: str
    state: str
    pour: str
    vessel: str
    wax: str
    fragrance: str | None
    load_percent: float
    wick: str
    trial: str | None
    arm: str | None
    lots: tuple[str, ...]
    new_photos: tuple[FiledPhoto, ...]
    burns: tuple[BurnShown, ...]
    wax_left: Quantity | None
    burn_out: BurnOut | None
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """The candle, then its burns."""
        scent = f", {self.fragrance} {self.load_percent:g} %" if self.fragrance else ""
        lines = [f"{self.candle} ({self.state}): {self.wick} in {self.vessel}, {self.wax}{scent}, pour {self.pour}"]
        if self.trial:
            lines.append(f"trial {self.trial}, arm {self.arm or 'not said'}")
        for burn in self.burns:
            lines += _burn_lines(burn)
        lines += self.burn_out.said() if self.burn_out else []
        lines += [f"wax left {self.wax_left}"] if self.wax_left else []
        return with_advice(self.advice, lines)


def _burn_lines(burn: BurnShown) -> list[str]:
    long = say_minutes(burn.minutes) if burn.minutes is not None else "alight"
    rate = f", {burn.burn_rate}" if burn.burn_rate else ""
    lines = [f"burn {burn.number} ({burn.kind}): {long}{rate}"]
    for photo in burn.photos:
        values = ", ".join(_told(photo, name) for name in _TOLD if name in photo.quantities)
        at = say_minutes(photo.minutes_alight) if photo.minutes_alight is not None else photo.phase
        lines.append(f"  {at} {photo.view}: {values or photo.reason or photo.status or 'not measured yet'}")
    lines += [
        f"  {_at(minutes)}{name.replace('_', ' ')} {hand_said(name, value)} by hand"
        for minutes, name, value in burn.by_hand
    ]
    lines += [f"  {_at(minutes)}“{text}”" for minutes, _, text in burn.notes]
    return lines + [f"  INCIDENT: {one}" for one in burn.incidents]


def _told(photo: FiledPhoto, name: str) -> str:
    corrected = f" (by hand {photo.by_hand[name]})" if name in photo.by_hand else ""
    return f"{name.replace('_', ' ')} {photo.quantities[name]}{corrected}"


def _at(minutes: float | None) -> str:
    return "" if minutes is None else f"{say_minutes(minutes)} "


_TOLD = ("pool_diameter", "hangup_max", "wick_offset", "soot_arc", "flame_height")


def quantities_of(reading: Reading | None) -> dict[str, Quantity]:
    """What a reading measured; nothing where there is none."""
    return {one.quantity: Quantity(one.value, one.u, one.unit) for one in reading.measurements} if reading else {}


def _photo(photo: Photo) -> FiledPhoto:
    reading = newest_reading(photo)
    return FiledPhoto(
        sha256=photo.sha256,
        name=photo.original_name,
        phase=photo.phase,
        minutes_alight=photo.minutes_alight,
        checkpoint_minutes=photo.checkpoint.minutes if photo.checkpoint else None,
        view=reading.result.get("view", photo.view) if reading else photo.view,
        status=reading.status if reading else None,
        reason=reading.reason if reading else None,
        flags=tuple(reading.flags) if reading else (),
        quantities=quantities_of(reading),
        by_hand=quantities_of(newest_reading(photo, by_hand=True)),
    )


def _photos(session: Session, candle: Candle, burn: Burn | None) -> tuple[FiledPhoto, ...]:
    where = Photo.burn_id.is_(None) if burn is None else Photo.burn_id == burn.id
    query = select(Photo).where(
        Photo.candle_id == candle.id, where, Photo.voided_at.is_(None), Photo.burst_of.is_(None)
    )
    rows = sorted(session.scalars(query), key=lambda one: (one.minutes_alight or 1e9 * (one.phase == "after"), one.id))
    return tuple(_photo(one) for one in rows)


def _burn(session: Session, candle: Candle, burn: Burn) -> BurnShown:
    minutes = {one.id: one.minutes for one in burn.checkpoints}
    by_hand = session.scalars(
        select(Measurement).where(
            Measurement.burn_id == burn.id, Measurement.by == "hand", Measurement.voided_at.is_(None)
        )
    )
    notes = session.scalars(select(Note).where(Note.burn_id == burn.id, Note.voided_at.is_(None)))
    incidents = session.scalars(select(Incident).where(Incident.burn_id == burn.id, Incident.voided_at.is_(None)))
    time_ = duration(burn)
    return BurnShown(
        number=burn.number,
        kind=burn.kind,
        lit_at=burn.lit_at,
        out_at=burn.out_at,
        out_how=burn.out_how,
        minutes=time_[0] if time_ else None,
        minutes_u=time_[1] if time_ else None,
        trimmed_mm=burn.trimmed_to_mm,
        burnt=wax_left.burnt_in(candle, burn),
        burn_rate=wax_left.burn_rate(candle, burn),
        photos=_photos(session, candle, burn),
        by_hand=tuple((minutes.get(m.checkpoint_id or 0), m.quantity, Quantity(m.value, m.u, m.unit)) for m in by_hand),
        notes=tuple((minutes.get(n.checkpoint_id or 0), n.tester, n.text) for n in notes),
        incidents=tuple(f"{one.kind}{f': {one.words}' if one.words else ''}" for one in incidents),
    )


def show(workspace: Workspace, code: str) -> CandleShown:
    """One candle's whole life. Raises PooleyeError for an unknown code."""
    now = workspace.now()
    with workspace.read() as session:
        candle = find.candle(session, code)
        left = wax_left.wax_left(candle)
        advice = tuple(one.as_advice() for one in _due(session, [candle], now) if one.late)
        lots = [one.lot for one in candle.pour.lots] + [one.lot for one in candle.lots]
        return CandleShown(
            candle=candle.code,
            state=states.state_of(candle, now),
            pour=candle.pour.name,
            vessel=candle.vessel.name,
            wax=candle.pour.wax.name,
            fragrance=candle.pour.fragrance.name if candle.pour.fragrance else None,
            load_percent=candle.pour.load_percent,
            wick=candle.wick.name,
            trial=candle.trial.name if candle.trial else None,
            arm=candle.arm,
            lots=tuple(f"{lot.component}:{lot.label}" for lot in lots),
            new_photos=_photos(session, candle, None),
            burns=tuple(_burn(session, candle, burn) for burn in candle.burns),
            wax_left=left.mass if left else None,
            burn_out=burn_out_of(candle),
            advice=by_gravity(advice),
        )
