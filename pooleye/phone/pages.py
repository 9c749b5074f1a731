"""What each page shows, gathered from the log; templates only lay it out."""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from pooleye.burnlog import overview, records
from pooleye.burnlog.columns import Base
from pooleye.burnlog.overview import BurnShown, CandleShown, Due, FiledPhoto, OnTable
from pooleye.burnlog.records import Candle, Photo, Trial
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.errors import PooleyeError
from pooleye.phone import words

if TYPE_CHECKING:
    from pooleye.judge.at_life import CandleVerdict

# A look counts as overdue when its time passed by more than a moment (as in the log's own list of what is due).
_LATE_MIN = 1.0
_SAME_S = 10.0


@dataclass(frozen=True)
class Countdown:
    """Something to do at a moment. ``until``: seconds since 1970, for the page's own clock."""

    what: str
    until: float
    text: str
    late: bool


@dataclass(frozen=True)
class Alight:
    """A burning candle on the bench."""

    code: str
    label: str
    burn: int
    minutes: str
    lit: float
    next_look: Countdown | None
    end: Countdown | None

    @property
    def late(self) -> bool:
        """Whether something is overdue."""
        return any(one is not None and one.late for one in (self.next_look, self.end))


@dataclass(frozen=True)
class Bench:
    """The table: stops, what burns (the most overdue first), the rest by state."""

    stops: tuple[str, ...]
    alight: tuple[Alight, ...]
    ready: tuple[OnTable, ...]
    waiting: tuple[OnTable, ...]
    done: tuple[OnTable, ...]


def _countdown(due: Due | None, now: datetime) -> Countdown | None:
    if due is None:
        return None
    what = "snuff it" if due.what == "end-of-burn" else "look"
    late = due.in_minutes < -_LATE_MIN
    text = f"{say_minutes(-due.in_minutes)} overdue" if late else f"in {say_minutes(max(due.in_minutes, 0.0))}"
    return Countdown(what, due.at.timestamp(), text, late)


def _label(one: OnTable) -> str:
    return f"{one.wick} in {one.vessel}" + (f", {one.arm}" if one.arm and one.arm != one.wick else "")


def _alight(one: OnTable, due: Sequence[Due], now: datetime) -> Alight:
    mine = [item for item in due if item.candle == one.candle]
    look = next((item for item in mine if item.what == "checkpoint"), None)
    end = next((item for item in mine if item.what == "end-of-burn"), None)
    if look is not None and end is not None and look.at == end.at:
        look = None  # the last look is the end itself
    minutes = one.minutes_alight or 0.0
    return Alight(
        one.candle, _label(one), one.burn_number or 0, say_minutes(minutes), now.timestamp() - 60 * minutes,
        _countdown(look, now), _countdown(end, now),
    )  # fmt: skip


def bench(workspace: Workspace, judged: Callable[[Sequence[str]], list[str]]) -> Bench:
    """What is on the table now. ``judged``: the judge's stops for the candles that burn."""
    status, due = overview.status(workspace), overview.due(workspace).due
    burning = [one for one in status.candles if one.state == "alight"]
    first = {one.candle: min((d.in_minutes for d in due if d.candle == one.candle), default=0.0) for one in burning}
    burning.sort(key=lambda one: first[one.candle])
    stops = [*words.stops_of(status.advice), *judged([one.candle for one in burning])]
    return Bench(
        tuple(dict.fromkeys(stops)),
        tuple(_alight(one, due, status.at) for one in burning),
        tuple(one for one in status.candles if one.state == "ready"),
        tuple(one for one in status.candles if one.state in ("resting", "curing")),
        tuple(one for one in status.candles if one.state in ("stopped", "held", "used-up")),
    )


class Table:
    """The bench, worked out once for all phones until an entry or ten seconds have come."""

    def __init__(self, workspace: Workspace) -> None:
        self._workspace, self._lock = workspace, threading.Lock()
        self._known: tuple[Any, Bench] | None = None
        self._stops: dict[str, tuple[Any, list[str]]] = {}

    def now(self) -> Bench:
        """The bench as it is."""
        with self._lock:
            state = (_newest(self._workspace), int(self._workspace.now().timestamp() // _SAME_S))
            if self._known is None or self._known[0] != state:
                self._known = state, bench(self._workspace, self._judged)
            return self._known[1]

    def _judged(self, codes: Sequence[str]) -> list[str]:
        """What the judge calls a stop in the burns that run; a candle is judged anew when something came to it."""
        from pooleye.judge import service

        entries = _newest_by_candle(self._workspace)
        for code in codes:
            if self._stops.get(code, (None,))[0] != entries[code]:
                (verdict,) = service.judge(self._workspace, [code]).candles
                self._stops[code] = entries[code], _unsafe(verdict, verdict.burns[-1].number)
        return [stop for code in codes for stop in self._stops[code][1]]


def _newest(workspace: Workspace) -> tuple[int | None, ...]:
    """The newest row of every table: no entry, and no edit (which leaves a row in `change`), passes it by."""
    newest = [select(func.max(table.c.id)).scalar_subquery() for table in Base.metadata.sorted_tables]
    with workspace.read() as session:
        return tuple(session.execute(select(*newest)).one())


def _newest_by_candle(workspace: Workspace) -> dict[str, list[Any]]:
    """Candle -> the newest of all that is filed about it, and of all edits."""
    found: dict[str, list[Any]] = defaultdict(list)
    with workspace.read() as session:
        general = [session.scalar(select(func.max(kind.id))) for kind in (records.Change, records.Settlement)]
        for kind in (records.Burn, Photo, records.Measurement, records.Note, records.Incident, records.Weighing):
            by_candle = select(Candle.code, func.max(kind.id)).join(Candle, kind.candle_id == Candle.id)
            for code, newest in session.execute(by_candle.group_by(Candle.code)):
                found[code].append((kind.__tablename__, newest))
        for part, through in ((records.Reading, Photo), (records.Claim, records.Note)):
            by_candle = select(Candle.code, func.max(part.id)).select_from(part).join(through).join(Candle)
            for code, newest in session.execute(by_candle.group_by(Candle.code)):
                found[code].append((part.__tablename__, newest))
    return {code: [*general, *rows] for code, rows in found.items()}


def _unsafe(verdict: CandleVerdict, burn: int | None = None) -> list[str]:
    """The stops of a candle (of one burn and of its whole life), in words alone; what another says too, once."""
    found = [one for one in verdict.unsafe if burn is None or one.number in (None, burn)]
    said = list(dict.fromkeys(f"{verdict.code}: {one.words}" for one in found))
    return [one for one in said if not any(other != one and other.startswith(one) for other in said)]


@dataclass(frozen=True)
class CandlePage:
    """One candle at the bench."""

    shown: CandleShown
    stops: tuple[str, ...]
    alight: Alight | None
    verdict: words.Told
    burn: BurnShown | None
    photos: tuple[FiledPhoto, ...]

    @property
    def may_light(self) -> bool:
        """Whether a flame is not there yet."""
        return self.alight is None


def candle(workspace: Workspace, code: str, table: Bench) -> CandlePage:
    """One candle on the table. Raises PooleyeError for an unknown code."""
    from pooleye.judge import service

    shown = overview.show(workspace, code)
    judged = service.judge(workspace, [shown.candle])
    verdict = words.told(one for one in judged.said() if one != judged.limits) if shown.burns else words.Told((), ())
    alight = next((one for one in table.alight if one.code == shown.candle), None)
    stops = dict.fromkeys([*words.stops_of(shown.advice), *_unsafe(judged.candles[0])])
    burn = shown.burns[-1] if shown.burns else None
    photos = burn.photos if burn is not None and alight is not None else ()
    return CandlePage(shown, tuple(stops), alight, verdict, burn, photos)


@dataclass(frozen=True)
class Frame:
    """One picture of a candle's life."""

    sha256: str
    burn: int
    when: str
    pool: str
    declined: bool


def life(workspace: Workspace, shown: CandleShown) -> list[tuple[str, list[Frame]]]:
    """The candle's pictures from above, burn by burn, side by side."""
    units = workspace.settings.units

    def frame(photo: FiledPhoto, number: int) -> Frame:
        pool = photo.by_hand.get("pool_diameter") or photo.quantities.get("pool_diameter")
        when = say_minutes(photo.minutes_alight) if photo.minutes_alight is not None else photo.phase
        said = words.number("pool_diameter", pool, units) if pool else ""
        return Frame(photo.sha256, number, when, said, photo.status == "declined")

    rows = [("new", [frame(one, 0) for one in shown.new_photos])]
    rows += [(f"burn {burn.number}", [frame(one, burn.number) for one in burn.photos]) for burn in shown.burns]
    return [row for row in rows if row[1]]


def others(workspace: Workspace, code: str) -> list[OnTable]:
    """Candles that a photo may belong to instead: the burning ones first."""
    order = ("alight", "resting", "ready", "curing", "held", "stopped", "used-up")
    rows = [one for one in overview.status(workspace).candles if one.candle != code]
    return sorted(rows, key=lambda one: order.index(one.state))


def trials(workspace: Workspace) -> list[tuple[int, str]]:
    """(number, name) of every trial."""
    with workspace.read() as session:
        return [(one.id, one.name) for one in session.scalars(select(Trial).order_by(Trial.id))]


@dataclass(frozen=True)
class TrialPage:
    """A trial and its candles: arm -> (code, photo of its latest look from above, if any)."""

    number: int
    name: str
    question: str | None
    arms: dict[str, list[tuple[str, str | None]]]


def trial(workspace: Workspace, number: int) -> TrialPage:
    """A trial by its number. Raises PooleyeError for an unknown one."""
    with workspace.read() as session:
        record = session.get(Trial, number)
        if record is None:
            raise PooleyeError("unknown-trial", f"the log has no trial number {number}", hint="see Trials")
        arms: dict[str, list[tuple[str, str | None]]] = {}
        for one in record.candles:
            newest = (
                select(Photo)
                .where(Photo.candle_id == one.id, Photo.voided_at.is_(None), Photo.view != "side")
                .order_by(Photo.burn_id.desc().nulls_last(), Photo.minutes_alight.desc().nulls_last(), Photo.id.desc())
            )
            photo = session.scalars(newest.limit(1)).first()
            arms.setdefault(one.arm or one.wick.name, []).append((one.code, photo.sha256 if photo else None))
        return TrialPage(record.id, record.name, record.question, arms)


def said(result: Any) -> words.Told:
    """A service's answer for the page."""
    return words.told(result.said())
