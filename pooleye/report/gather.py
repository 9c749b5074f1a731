"""What a report is made from: one candle, a trial or a session as the log has it. Pure data; nothing is drawn here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session, selectinload

from pooleye.burnlog import corrections, find, overview, records, states, trials
from pooleye.burnlog.filing import newest_reading
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.flags import FLAGS
from pooleye.judge import from_log, service
from pooleye.judge.at_life import CandleVerdict, judge_candle
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import Candle
from pooleye.judge.service import Forecast
from pooleye.judge.trial import TrialVerdict
from pooleye.measurement import CLOCK_QUANTITIES, QUANTITIES, SECTORS, Outlines, PhotoResult, Quantity


@dataclass(frozen=True)
class Shot:
    """A filed photo: where it belongs, its file, the tool's newest reading and a person's corrections beside it.

    `result` is None when it was not measured yet or declined; `reason` and `hint` then say why.
    """

    sha256: str
    suffix: str
    name: str
    phase: str
    burn: int | None
    minutes: float | None
    view: str
    taken_at: datetime | None
    found_how: str
    status: str | None
    reason: str | None
    hint: str | None
    method: str | None
    measured_at: datetime | None
    flags: tuple[str, ...]
    result: PhotoResult | None
    by_hand: Mapping[str, Quantity]
    drawn_by_hand: tuple[tuple[float, float], ...]
    inputs: Mapping[str, Any]


@dataclass(frozen=True)
class CandleFile:
    """Everything about one candle. `missed`: number of a burn -> minutes at which a look was planned and none taken."""

    code: str
    life: overview.CandleShown
    evidence: Candle
    verdict: CandleVerdict
    forecast: Forecast
    shots: tuple[Shot, ...]
    history: corrections.History
    weighings: tuple[tuple[datetime, str, Quantity], ...]
    missed: Mapping[int, tuple[float, ...]]

    def shots_of(self, burn: int | None) -> tuple[Shot, ...]:
        """Photos of a burn; None: of the new candle."""
        return tuple(one for one in self.shots if one.burn == burn)


@dataclass(frozen=True)
class TrialFile:
    """A trial with its candles; `verdict` is None while it has none."""

    shown: trials.TrialShown
    verdict: TrialVerdict | None
    candles: tuple[CandleFile, ...]


@dataclass(frozen=True)
class SessionFile:
    """A sitting's burns: (candle, numbers of its burns)."""

    day: date
    burns: tuple[tuple[CandleFile, tuple[int, ...]], ...]


def candle_file(workspace: Workspace, code: str, criteria: Criteria) -> CandleFile:
    """Everything about a candle. Raises PooleyeError for an unknown code."""
    with workspace.read() as session:
        record = find.candle(session, code)
        evidence = from_log.candle_of(session, record)
        shots = _shots(session, record)
        weighings = tuple(
            (one.at, one.moment, Quantity(one.mass_g, one.step_g / 12**0.5, "g"))
            for one in record.weighings
            if one.voided_at is None
        )
        missed = {burn.number: _missed(session, burn, workspace.now()) for burn in record.burns}
    return CandleFile(
        evidence.code,
        overview.show(workspace, evidence.code),
        evidence,
        judge_candle(criteria, evidence),
        service.forecast_of(workspace, evidence.code),
        shots,
        corrections.history(workspace, evidence.code),
        weighings,
        missed,
    )


def _missed(session: Session, burn: records.Burn, now: datetime) -> tuple[float, ...]:
    lasted, done = states.minutes_between(burn.lit_at, burn.out_at or now), overview.looked_at(session, burn)
    due = [one for one in burn.checkpoints if one.planned and one.minutes <= lasted + 1]
    return tuple(one.minutes for one in due if one.id not in done)


def trial_file(workspace: Workspace, name: str, criteria: Criteria) -> TrialFile:
    """A trial and its candles. Raises PooleyeError for an unknown name."""
    shown = trials.show_trials(workspace, name).trials[0]
    codes = [code for arm in shown.arms for code, _, _ in arm.candles]
    verdict = service.judge_trial(workspace, name) if codes else None
    return TrialFile(shown, verdict, tuple(candle_file(workspace, code, criteria) for code in codes))


def session_file(workspace: Workspace, day: date | None, criteria: Criteria) -> SessionFile:
    """The sittings begun on a day by the workshop's clock; without a day, the latest. PooleyeError when there is none.

    A sitting holds the burns that overlap in time, so one past midnight stays whole.
    """
    days = _days(workspace)
    chosen = day or max(days)
    if chosen not in days:
        nearest = min(days, key=lambda one: abs(one - chosen))
        raise PooleyeError(
            "no-session", f"no candle was lit on {chosen}", hint=f"the nearest day with burns is {nearest}"
        )
    found = tuple((candle_file(workspace, code, criteria), tuple(n)) for code, n in days[chosen].items())
    return SessionFile(chosen, found)


def latest_day(workspace: Workspace) -> date:
    """The day of the latest session. PooleyeError when there is none."""
    return max(_days(workspace))


def _days(workspace: Workspace) -> dict[date, dict[str, list[int]]]:
    """Day -> candle -> its burns of the sittings begun on that day. PooleyeError when nothing was lit yet."""
    with workspace.read() as session:
        burns = list(session.scalars(select(records.Burn).order_by(records.Burn.lit_at, records.Burn.id)))
        rows = [(one.candle.code, one.number, one.lit_at, _until(one)) for one in burns]
    days: dict[date, dict[str, list[int]]] = {}
    for sitting in _sittings(rows):
        begun = sitting[0][2].astimezone(workspace.zone).date()
        for code, number, _, _ in sitting:
            days.setdefault(begun, {}).setdefault(code, []).append(number)
    if not days:
        raise PooleyeError("no-burns", "no candle has been lit yet", hint="light one: pooleye light CODE")
    return days


_Row = tuple[str, int, datetime, datetime]


def _until(burn: records.Burn) -> datetime:
    """When a burn ended, or is meant to end while it runs."""
    return burn.out_at or burn.lit_at + timedelta(minutes=burn.planned_minutes or 1440.0)


def _sittings(rows: Iterable[_Row]) -> list[list[_Row]]:
    """Burns in groups that overlap in time; `rows` in order of lighting."""
    groups: list[list[_Row]] = []
    for row in rows:
        if groups and row[2] <= max(one[3] for one in groups[-1]):
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


# ---- photos -------------------------------------------------------------------------------------------------------


def _shots(session: Session, candle: records.Candle) -> tuple[Shot, ...]:
    readings = selectinload(records.Photo.readings).selectinload(records.Reading.measurements)
    query = select(records.Photo).where(records.Photo.candle_id == candle.id, records.Photo.voided_at.is_(None))
    query = query.where(records.Photo.burst_of.is_(None))
    photos = session.scalars(query.options(readings, selectinload(records.Photo.burn)))
    return tuple(sorted(map(_shot, photos), key=_in_order))


def _in_order(shot: Shot) -> tuple[Any, ...]:
    """New candle, then burn by burn, by minutes, photos after snuffing last, from above before from the side."""
    return (shot.burn or 0, shot.phase == "after", shot.minutes or 0.0, shot.view == "side", shot.name)


def _shot(photo: records.Photo) -> Shot:
    reading, corrected = newest_reading(photo), newest_reading(photo, by_hand=True)
    drawn = corrected.result.get("outlines_px", {}).get("pool", ()) if corrected else ()
    result = reading.result if reading else {}
    return Shot(
        sha256=photo.sha256,
        suffix=photo.suffix,
        name=photo.original_name,
        phase=photo.phase,
        burn=photo.burn.number if photo.burn else None,
        minutes=photo.checkpoint.minutes if photo.checkpoint else photo.minutes_alight,
        view=result.get("view", photo.view),
        taken_at=photo.taken_at,
        found_how=photo.found_how,
        status=reading.status if reading else None,
        reason=reading.reason if reading else None,
        hint=result.get("hint"),
        method=reading.method if reading else None,
        measured_at=reading.entered_at if reading else None,
        flags=tuple(reading.flags) if reading else (),
        result=stored_result(reading.result) if reading and reading.status == "measured" else None,
        by_hand=_by_hand(corrected),
        drawn_by_hand=tuple((float(x), float(y)) for x, y in drawn),
        inputs=reading.inputs if reading else {},
    )


def _by_hand(reading: records.Reading | None) -> dict[str, Quantity]:
    sound = [one for one in reading.measurements if one.voided_at is None] if reading else []
    return {one.quantity: Quantity(one.value, one.u, one.unit) for one in sound}


def stored_result(stored: Mapping[str, Any]) -> PhotoResult:
    """A measured photo's result from the contract's object, as kept in the log; names no longer known are left out."""
    outlines = stored.get("outlines_px", {})
    quantities = {
        name: Quantity(one["value"], one["u"], one["unit"])
        for name, one in stored.get("quantities", {}).items()
        if name in QUANTITIES and one["unit"] == QUANTITIES[name][0]
    }
    by_clock = {
        name: tuple(one["values"])
        for name, one in stored.get("by_clock", {}).items()
        if name in CLOCK_QUANTITIES and len(one["values"]) == SECTORS
    }
    return PhotoResult.measured(
        stored["photo"],
        stored["view"],
        method=stored["method"],
        quantities=quantities,
        flags=_known(stored.get("flags", ())),
        by_clock=by_clock,
        outlines_px=Outlines(
            rim=outlines.get("rim"),
            pool=outlines.get("pool", ()),
            wick=_point(outlines.get("wick")),
            flame_tip=_point(outlines.get("flame_tip")),
            flame_base=_point(outlines.get("flame_base")),
        ),
    )


def _known(flags: Sequence[str]) -> list[str]:
    return [name for name in flags if name in FLAGS]


def _point(pair: Sequence[float] | None) -> tuple[float, float] | None:
    return None if pair is None else (float(pair[0]), float(pair[1]))
