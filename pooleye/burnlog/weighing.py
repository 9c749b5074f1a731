"""Candles on the scale: unit mistakes caught, burn rates, wax left; a tea light's burn-out time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import find, states, wax_left
from pooleye.burnlog.burns import duration
from pooleye.burnlog.records import Burn, Candle, Weighing
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.errors import PooleyeError
from pooleye.measurement import Quantity
from pooleye.units import G_PER_OUNCE

# Three times the fastest rate met for one wick in a container (8 g/h, from memory): beyond it, a slip of the hand.
FASTEST_G_H_PER_WICK = 25.0
# What a cold candle may lose or gain between two weighings (dust, trimmed wick, another room): judged.
COLD_DRIFT_G = 1.0
_LIKELY_SLIPS = ((G_PER_OUNCE, "ounces typed as grams", "oz"), (1000.0, "kilograms typed as grams", "kg"))


@dataclass(frozen=True)
class Weighed:
    """A weighing, and what follows from it."""

    candle: str
    mass_g: float
    moment: str
    burn_number: int | None
    burnt: Quantity | None
    burn_rate: Quantity | None
    wax_left: Quantity | None
    wax_level: Quantity | None
    burns_left: float | None
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """Mass, then what it tells."""
        lines = [f"{self.candle}: {self.mass_g:.1f} g ({self._when()})"]
        if self.burnt and self.burn_rate:
            lines.append(f"burnt {self.burnt}, that is {self.burn_rate}")
        if self.wax_left:
            more = f", about {self.burns_left:.1f} burns of this length" if self.burns_left else ""
            lines.append(f"wax left {self.wax_left}{more}")
        return with_advice(self.advice, lines)

    def _when(self) -> str:
        return {"new": "new", "before": "before the next burn", "other": "while alight"}.get(
            self.moment, f"after burn {self.burn_number}"
        )


def _slip(mass_g: float, expected_g: float) -> tuple[str, str] | None:
    """(what was probably typed, how to write it) when a factor between two units explains the number."""
    for factor, words, unit in _LIKELY_SLIPS:
        if 0.7 < mass_g * factor / expected_g < 1.15:
            return words, f"{mass_g:g}{unit}"
        if 0.7 < mass_g / factor / expected_g < 1.15:
            return f"grams typed as {unit}", f"{mass_g / factor:g}"
    return None


def _refuse(candle: Candle, mass_g: float, expected_g: float, text: str, session: Session) -> PooleyeError:
    slip = _slip(mass_g, expected_g)
    if slip:
        return PooleyeError("unit-slip", f"{text}: {slip[0]}?", hint=f"if so, write {slip[1]}")
    others = _fits(session, candle, mass_g)
    hint = f"is it {' or '.join(others)}? Else weigh again" if others else "weigh again"
    return PooleyeError("absurd-mass", text, hint=f"{hint}; to keep it as it is: --anyway REASON")


def _fits(session: Session, candle: Candle, mass_g: float) -> list[str]:
    """Other candles whose newest weighing is near ``mass_g``: the wrong one may be on the scale."""
    near = []
    for other in session.scalars(select(Candle).where(Candle.id != candle.id)):
        weighings = wax_left.sound(other)
        if weighings and 0 <= weighings[-1].mass_g - mass_g <= 40:
            near.append(other.code)
    return near[:3]


def _check(session: Session, candle: Candle, mass_g: float, at: datetime) -> None:
    """Raises PooleyeError for a mass that cannot be this candle's, by the weighings before and after it."""
    known = wax_left.sound(candle)
    earlier, later = [one for one in known if one.at <= at], [one for one in known if one.at > at]
    if not earlier:
        _check_first(session, candle, mass_g)
    else:
        _check_after(session, candle, mass_g, earlier[-1], at)
    if later and later[0].mass_g - mass_g > COLD_DRIFT_G:
        text = f"{candle.code} weighed {later[0].mass_g:.1f} g later, so it cannot have weighed {mass_g:.1f} g then"
        raise _refuse(candle, mass_g, later[0].mass_g, text, session)


def _check_after(session: Session, candle: Candle, mass_g: float, last: Weighing, at: datetime) -> None:
    gained = mass_g - last.mass_g
    if gained > COLD_DRIFT_G:
        text = f"{candle.code} weighed {last.mass_g:.1f} g and cannot now weigh {mass_g:.1f} g: it would have gained"
        raise _refuse(candle, mass_g, last.mass_g, text, session)
    hours = _hours_alight(candle, last.at, at)
    if -gained > COLD_DRIFT_G + FASTEST_G_H_PER_WICK * candle.wick_count * hours:
        when = f"in {hours:.1f} h alight" if hours > 0.05 else "without burning"
        text = f"{candle.code} weighed {last.mass_g:.1f} g; losing {-gained:.1f} g {when} is impossible"
        raise _refuse(candle, mass_g, last.mass_g, text, session)


def _check_first(session: Session, candle: Candle, mass_g: float) -> None:
    least = (candle.fill_mass_g or 0.0) * (0.98 if not candle.burns else 0.0) + (candle.empty_mass_g or 0.0)
    if mass_g < least:
        text = f"{candle.code} cannot weigh {mass_g:.1f} g: wax and vessel alone are {least:.0f} g"
        raise _refuse(candle, mass_g, least, text, session)
    if candle.fill_mass_g and mass_g > 20 * candle.fill_mass_g:
        text = f"{mass_g:.1f} g is twenty times the {candle.fill_mass_g:.0f} g of wax in {candle.code}"
        raise _refuse(candle, mass_g, candle.fill_mass_g * 2, text, session)


def _hours_alight(candle: Candle, start: datetime, end: datetime) -> float:
    hours = 0.0
    for burn in candle.burns:
        first, last = max(start, burn.lit_at), min(end, burn.out_at or end)
        hours += max(0.0, states.minutes_between(first, last) / 60)
    return hours


def _moment(candle: Candle, at: datetime) -> tuple[str, Burn | None]:
    """(moment, burn) of a weighing: the first one after a burn is its "after", a later one is "before" the next."""
    burn = next((one for one in reversed(candle.burns) if one.lit_at <= at), None)
    if burn is None:
        return "new", None
    if burn.out_at is None or at < burn.out_at:
        return "other", burn
    return ("after", burn) if wax_left.weighing_after(candle, burn) is None else ("before", None)


def weigh(
    workspace: Workspace,
    code: str,
    mass_g: float,
    *,
    at: datetime | None = None,
    step_g: float | None = None,
    despite: str | None = None,
) -> Weighed:
    """Log a candle's mass. The moment (new, after a burn, before the next) follows from the time.

    Raises PooleyeError for a mass that cannot be (with the likely slip), or while the candle burns.
    """
    moment = at or workspace.now()
    with workspace.write() as session:
        candle = find.candle(session, code)
        kind, burn = _moment(candle, moment)
        if kind == "other" and despite is None:
            text = f"{candle.code} is alight; moving a lit candle spills hot wax"
            raise PooleyeError(
                "still-alight", text, hint="snuff it and let it cool; on a scale all along: --anyway REASON"
            )
        if despite is None:
            _check(session, candle, mass_g, moment)
        record = Weighing(candle=candle, burn_id=burn.id if burn else None, moment=kind, at=moment, mass_g=mass_g)
        record.step_g, record.accepted_despite = step_g or workspace.settings.scale_step_g, despite
        session.add(record)
        session.flush()
        session.refresh(candle)
        return _weighed(candle, record, burn)


def _weighed(candle: Candle, record: Weighing, burn: Burn | None) -> Weighed:
    after = burn if record.moment == "after" else None
    rate = wax_left.burn_rate(candle, after) if after else None
    left = wax_left.wax_left(candle)
    advice = []
    if after is not None and rate is None:
        text = (
            f"no burn rate: {candle.code} was not weighed before burn {after.number}; weigh it new and after each burn"
        )
        advice.append(Advice("info", "not-weighed-before", text))
    time_ = duration(after) if after else None
    forecast = None
    if left and rate and time_ and rate.value > 0:
        forecast = max(0.0, left.mass.value / (rate.value * time_[0] / 60))
    return Weighed(
        candle=candle.code,
        mass_g=record.mass_g,
        moment=record.moment,
        burn_number=after.number if after else None,
        burnt=wax_left.burnt_in(candle, after) if after else None,
        burn_rate=rate,
        wax_left=left.mass if left else None,
        wax_level=left.level if left else None,
        burns_left=forecast,
        advice=tuple(advice),
    )


@dataclass(frozen=True)
class BurnOut:
    """A tea light's result: how long it burnt from lighting until it went out by itself."""

    candle: str
    burn_time: Quantity
    burnt: Quantity | None
    mean_rate: Quantity | None

    def said(self) -> list[str]:
        """One line."""
        rate = f", {self.mean_rate} on the mean" if self.mean_rate else ""
        sure = f"± {say_minutes(self.burn_time.u)}" if self.burn_time.u >= 1 else "± under a minute"
        return [f"{self.candle} burnt for {say_minutes(self.burn_time.value)} ({sure}){rate}"]


def burn_out_of(candle: Candle) -> BurnOut | None:
    """The burn-out time, min, of a candle burnt in one go until it went out by itself; None for any other."""
    if len(candle.burns) != 1 or candle.burns[0].out_how != "by-itself":
        return None
    minutes, u = duration(candle.burns[0]) or (0.0, math.nan)
    parts = (("lit", candle.burns[0].lit_half_width_min / 3**0.5), ("out", candle.burns[0].out_half_width_min / 3**0.5))
    burnt = wax_left.burnt_in(candle, candle.burns[0])
    rate = wax_left.burn_rate(candle, candle.burns[0])
    return BurnOut(candle.code, Quantity(minutes, u, "min", parts), burnt, rate)
