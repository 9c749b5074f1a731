"""The plan of a trial: pours, candles, cure, burn days, photos, hours and cost; planned again when a candle is stopped.

Arms are mixed in every sitting, so that a draughty evening touches all of them alike (blocking: NIST/SEMATECH
e-Handbook of Statistical Methods, 5.3.3.2, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from pooleye.errors import PooleyeError
from pooleye.judge import forecast
from pooleye.judge.evidence import Candle, Trial

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: Burns of one candle on one day are at least this far apart, h: four hours' pause, wax solid; common practice.
REST_H = 4.0
#: Photos of each candle in a sitting besides the looks: before lighting and after snuffing.
_PHOTOS_AROUND = 2
#: A plan that does not end within this many days is refused.
_LONGEST_DAYS = 730


@dataclass(frozen=True)
class Question:
    """What is to be found out, and with what. `wicks`: the arms; the other parts are held."""

    name: str
    vessel: str
    wax: str
    wicks: tuple[str, ...]
    fragrance: str | None = None
    load_percent: float = 0.0
    candles_per_arm: int = 3
    fill_g: float = 180.0
    usable_g: float = 150.0
    burn_rate_g_h: float = 5.0
    cure_days: float = 14.0


@dataclass(frozen=True)
class Bench:
    """What a maker has: candles that fit on the table with their distances, and free hours by weekday."""

    table: int = 6
    hours: Mapping[str, float] = field(default_factory=lambda: dict.fromkeys(DAYS, 4.5))
    begins: time = time(18, 0)
    begins_on: Mapping[str, time] = field(default_factory=dict)
    burn_h: float = 4.0
    looks_min: tuple[float, ...] = (60.0, 120.0, 240.0)
    setting_up_h: float = 0.5

    def __post_init__(self) -> None:
        if self.table < 1 or not 0 < self.burn_h <= 24:
            raise PooleyeError("absurd-bench", "a plan needs a table and a burning time", hint="--table 6 --burn 4h")
        unknown = (set(self.hours) | set(self.begins_on)) - set(DAYS)
        if unknown:
            raise PooleyeError("unknown-day", f"no day is called {unknown.pop()}", hint=f"days: {', '.join(DAYS)}")

    def opens_on(self, day: date) -> time:
        """When a day's first burn begins."""
        return self.begins_on.get(DAYS[day.weekday()], self.begins)

    def sittings_on(self, day: date) -> int:
        """How many burns one after another fit into a day's free hours."""
        free = self.hours.get(DAYS[day.weekday()], 0.0)
        return int((free + 1e-9) // (self.burn_h + self.setting_up_h))


@dataclass(frozen=True)
class Prices:
    """Cost per candle and of a session, in one currency; None = not known, and then said."""

    wax_kg: float | None = None
    fragrance_kg: float | None = None
    wick: float | None = None
    vessel: float | None = None
    currency: str = "EUR"


@dataclass(frozen=True)
class Planned:
    """One candle of the plan; `burns` it will take."""

    label: str
    wick: str
    burns: int


@dataclass(frozen=True)
class Sitting:
    """Candles burnt together: `burns` maps each candle to its burn number."""

    starts: datetime
    ends: datetime
    burns: tuple[tuple[str, int], ...]
    looks: tuple[datetime, ...]

    @property
    def photos(self) -> int:
        """Photos to take."""
        return len(self.burns) * (len(self.looks) + _PHOTOS_AROUND)


@dataclass(frozen=True)
class Plan:
    """The whole plan."""

    question: Question
    bench: Bench
    pour_on: date
    cured_on: date
    candles: tuple[Planned, ...]
    sittings: tuple[Sitting, ...]
    cost: float | None
    cost_unknown: tuple[str, ...]
    currency: str
    begun: bool = False

    @property
    def ends(self) -> date:
        """The last day."""
        return self.sittings[-1].ends.date() if self.sittings else self.cured_on

    @property
    def photos(self) -> int:
        """Photos in all."""
        return sum(one.photos for one in self.sittings)

    @property
    def bench_hours(self) -> float:
        """Hours a person must be in the room."""
        return sum((one.ends - one.starts).total_seconds() / 3600 for one in self.sittings)

    def said(self) -> list[str]:
        """The plan as a list."""
        q = self.question
        scent = f", {q.fragrance} {q.load_percent:g} %" if q.fragrance else ""
        wax = sum(q.fill_g for _ in self.candles)
        heading = f"{q.name}: {q.vessel}, {q.wax}{scent}; wicks {', '.join(q.wicks)}"
        sums = f"{self.bench_hours:.0f} h in the room, {self.photos} photos"
        if self.begun:
            rest = f"{len(self.sittings)} sittings more until {self.ends}; {sums}"
            return [heading, rest, *(self._line(one) for one in self.sittings)]
        known = "unknown" if self.cost is None else f"{self.cost:.2f} {self.currency}"
        missing = f" without {', '.join(self.cost_unknown)}" if self.cost_unknown else ""
        lines = [
            heading,
            f"pour on {self.pour_on}: {len(self.candles)} candles of one pot, {wax:.0f} g, {q.candles_per_arm} an arm",
            f"cured on {self.cured_on}; then {len(self.sittings)} sittings until {self.ends}",
            f"{sums}; materials {known}{missing}",
        ]
        return lines + [self._line(one) for one in self.sittings]

    def _line(self, one: Sitting) -> str:
        burns = ", ".join(f"{label} burn {number}" for label, number in one.burns)
        return f"  {one.starts:%a %Y-%m-%d %H:%M} to {one.ends:%H:%M}: {burns}"


def burns_needed(question: Question, bench: Bench) -> int:
    """Burns until the usable wax is gone."""
    if question.burn_rate_g_h <= 0 or question.usable_g <= 0:
        raise PooleyeError("absurd-plan", "wax and burn rate must be above zero", hint="--usable 150g --rate 5")
    return math.ceil(question.usable_g / (question.burn_rate_g_h * bench.burn_h) - 1e-9)


def make_plan(question: Question, bench: Bench, prices: Prices, pour_on: date, zone: tzinfo) -> Plan:
    """Plan a trial from its pour to its last burn. Raises PooleyeError when no free hours are left for it."""
    if len(question.wicks) < 2:
        raise PooleyeError("one-arm", "a trial compares at least two wicks", hint="--wick small --wick large")
    if question.candles_per_arm < 3:
        text = f"{question.candles_per_arm} candles an arm decide nothing"
        raise PooleyeError("arm-too-small", text, hint="three at least: --per-arm 3")
    burns = burns_needed(question, bench)
    # Arm after arm in turn, so that each sitting holds some of every arm.
    candles = tuple(
        Planned(f"{wick} no. {number}", wick, burns)
        for number in range(1, question.candles_per_arm + 1)
        for wick in question.wicks
    )
    cured = pour_on + timedelta(days=math.ceil(question.cure_days))
    todo = {one.label: tuple(range(1, one.burns + 1)) for one in candles}
    sittings = _sittings(bench, todo, cured, zone)
    cost, unknown = _cost(question, prices)
    return Plan(question, bench, pour_on, cured, candles, sittings, cost, unknown, prices.currency)


def _sittings(bench: Bench, todo: Mapping[str, tuple[int, ...]], first: date, zone: tzinfo) -> tuple[Sitting, ...]:
    """Fill free hours: each sitting takes the candles that are furthest behind and have rested."""
    left = {label: list(numbers) for label, numbers in todo.items() if numbers}
    rested: dict[str, datetime] = {}
    found: list[Sitting] = []
    day = first
    while left:
        if (day - first).days > _LONGEST_DAYS or not any(bench.hours.values()):
            raise _no_room(bench)
        for index in range(bench.sittings_on(day)):
            starts = later(
                datetime.combine(day, bench.opens_on(day), zone), index * (bench.burn_h + bench.setting_up_h)
            )
            one = _sitting(bench, left, rested, starts)
            found += [one] if one else []
        day += timedelta(days=1)
    return tuple(found)


def later(moment: datetime, hours: float) -> datetime:
    """So many hours of real time later, on the same clock, also over a night when the clock is changed."""
    return (moment.astimezone(UTC) + timedelta(hours=hours)).astimezone(moment.tzinfo)


def _no_room(bench: Bench) -> PooleyeError:
    need = bench.burn_h + bench.setting_up_h
    text = f"the free hours hold no burn of {bench.burn_h:g} h"
    return PooleyeError("no-free-hours", text, hint=f"a day needs {need:g} free hours: --free sat=10h")


def _sitting(bench: Bench, left: dict[str, list[int]], rested: dict[str, datetime], starts: datetime) -> Sitting | None:
    ready = [label for label in left if label not in rested or starts >= rested[label]]
    chosen = sorted(ready, key=lambda label: left[label][0])[: bench.table]
    if not chosen:
        return None
    ends = later(starts, bench.burn_h)
    burns = []
    for label in chosen:
        burns.append((label, left[label].pop(0)))
        rested[label] = later(ends, REST_H)
        if not left[label]:
            del left[label]
    looks = tuple(later(starts, m / 60) for m in bench.looks_min if m <= 60 * bench.burn_h)
    return Sitting(starts, ends, tuple(burns), looks)


def _cost(question: Question, prices: Prices) -> tuple[float | None, tuple[str, ...]]:
    """(sum of what has a price, names of what has none); the load is a share of the wax mass, as the trade has it."""
    count = len(question.wicks) * question.candles_per_arm
    share = question.load_percent / 100 if question.fragrance else 0.0
    wax_g = question.fill_g / (1 + share)
    parts: list[tuple[str, float | None, float]] = [
        ("wax", prices.wax_kg, wax_g / 1000),
        ("wicks", prices.wick, 1.0),
        ("vessels", prices.vessel, 1.0),
    ]
    if question.fragrance:
        parts.append(("fragrance", prices.fragrance_kg, wax_g * share / 1000))
    known = [price * amount * count for _, price, amount in parts if price is not None]
    unknown = tuple(name for name, price, _ in parts if price is None)
    return (sum(known) if known else None), unknown


# ---- the rest of a trial in the log -------------------------------------------------------------------------------

#: Burn rate until a candle's own is known, g/h for each mm of bore (50 to 90 mm bores burn 3 to 8 g/h; from memory).
NOMINAL_G_H_PER_MM = 0.075


def burns_left(candle: Candle, bench: Bench, stop_level_mm: float) -> int | None:
    """Burns a candle still has; 0 when it is over, None when its wax is not known."""
    if candle.over:
        return 0
    left = forecast.hours_left(candle, stop_level_mm, burn_hours=bench.burn_h)
    if left is not None:
        return math.ceil(left.burns.value - 0.25)  # a quarter of a burn over is not worth a sitting; judged
    fill = candle.wax_left_g.value if candle.wax_left_g else candle.setup.fill_mass_g
    if fill is None:
        return None
    kept = candle.setup.mass_of_level_g(stop_level_mm) if candle.setup.vessel_kind == "container" else 0.0
    hours = max(0.0, fill - kept) / (NOMINAL_G_H_PER_MM * candle.setup.bore_mm * candle.setup.wick_count)
    return max(0, math.ceil(hours / bench.burn_h) - len(candle.burns))


def rest_of_trial(trial: Trial, bench: Bench, stop_level_mm: float, now: datetime, poured: datetime | None) -> Plan:
    """Plan what is left to burn, from the day after `now` on (its zone is the workshop's).

    Raises PooleyeError when a candle's wax is unknown, or nothing is left.
    """
    todo: dict[str, tuple[int, ...]] = {}
    for candle in trial.candles:
        count = burns_left(candle, bench, stop_level_mm)
        if count is None:
            text = f"how much wax {candle.code} holds is not in the log"
            raise PooleyeError("wax-unknown", text, hint=f"pooleye correct candle {candle.code} fill_mass 180g")
        done = len(candle.burns)
        todo[candle.code] = tuple(range(done + 1, done + count + 1))
    if not any(todo.values()):
        text = f"no candle of trial “{trial.name}” has a burn left"
        raise PooleyeError("nothing-left", text, hint=f"judge it: pooleye trial judge '{trial.name}'")
    assert now.tzinfo is not None
    sittings = _sittings(bench, todo, now.date() + timedelta(days=1), now.tzinfo)
    setup = trial.candles[0].setup
    candles = tuple(Planned(one.code, one.setup.wick.name, len(todo[one.code])) for one in trial.candles)
    question = Question(
        name=trial.name,
        vessel=setup.vessel,
        wax=setup.wax,
        wicks=tuple(dict.fromkeys(one.setup.wick.name for one in trial.candles)),
        fragrance=setup.fragrance,
        load_percent=setup.load_percent,
        candles_per_arm=min((len(arm) for arm in trial.arms.values()), default=0),
        fill_g=setup.fill_mass_g or 0.0,
    )
    pour_on = (poured or now).astimezone(now.tzinfo).date()
    return Plan(question, bench, pour_on, pour_on, candles, sittings, None, (), "", begun=True)
