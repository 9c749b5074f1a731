"""From weighings to what was burnt and what is left, each with its uncertainty (JCGM 100:2008)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

from pooleye.burnlog.records import Burn, Candle, Weighing
from pooleye.burnlog.states import minutes_between
from pooleye.measurement import Quantity

_G_PER_CM3_MM3 = 1e-3


def step_u(step_g: float) -> float:
    """Standard uncertainty of one reading of a display with this step: d / √12 (JCGM 100:2008, F.2.2.1)."""
    return step_g / math.sqrt(12)


def difference(first: Weighing, second: Weighing) -> Quantity:
    """Mass lost from the first to the second weighing, g."""
    parts = {"first reading": step_u(first.step_g), "second reading": step_u(second.step_g)}
    return Quantity.from_parts(first.mass_g - second.mass_g, "g", parts)


def rate(lost: Quantity, hours: float, hours_u: float) -> Quantity:
    """Burn rate r = Δm / t in g/h: u² = (u(Δm)/t)² + (r·u(t)/t)²."""
    value = lost.value / hours
    return Quantity.from_parts(value, "g/h", {"weighing": lost.u / hours, "time": abs(value) * hours_u / hours})


def sound(candle: Candle) -> list[Weighing]:
    """Weighings that were not struck out, in order of time."""
    return sorted((one for one in candle.weighings if one.voided_at is None), key=lambda one: (one.at, one.id))


def weighing_before(candle: Candle, burn: Burn) -> Weighing | None:
    """The last weighing before the burn was lit, if none of it was burnt since: a cold candle keeps its mass."""
    earlier = [one for one in candle.burns if one.number < burn.number]
    since = earlier[-1].out_at if earlier else None
    if earlier and since is None:
        return None
    fit = [one for one in sound(candle) if one.at <= burn.lit_at and (since is None or one.at >= since)]
    return fit[-1] if fit else None


def weighing_after(candle: Candle, burn: Burn) -> Weighing | None:
    """The first weighing after the burn ended and before the next one was lit."""
    if burn.out_at is None:
        return None
    later = [one for one in candle.burns if one.number > burn.number]
    until = later[0].lit_at if later else None
    fit = [one for one in sound(candle) if one.at >= burn.out_at and (until is None or one.at <= until)]
    return fit[0] if fit else None


def burnt_in(candle: Candle, burn: Burn) -> Quantity | None:
    """Mass burnt in one burn, g; None without a weighing on both sides."""
    before, after = weighing_before(candle, burn), weighing_after(candle, burn)
    return difference(before, after) if before and after else None


def burn_rate(candle: Candle, burn: Burn) -> Quantity | None:
    """Burn rate of one burn, g/h; None without both weighings or an end."""
    from pooleye.burnlog.burns import duration

    lost, time_ = burnt_in(candle, burn), duration(burn)
    if lost is None or time_ is None or time_[0] <= 0:
        return None
    return rate(lost, time_[0] / 60, time_[1] / 60)


@dataclass(frozen=True)
class WaxLeft:
    """Wax left in a candle; ``level``: how high it would stand, solid, in a straight vessel of the rim's bore (mm)."""

    mass: Quantity
    level: Quantity | None


def bore_area_mm2(candle: Candle) -> float:
    """Inner cross-section, mm²; of a tapered vessel that halfway down."""
    vessel = candle.vessel
    bore = (vessel.rim_inner_mm + (vessel.base_inner_mm or vessel.rim_inner_mm)) / 2
    return math.pi * bore**2 / 4


def level_of(candle: Candle, mass: Quantity) -> Quantity:
    """Height of ``mass`` of solid wax in the bore, mm: m / (ρ·A); callipers' ±0.5 mm on the bore, rectangular."""
    wax, area = candle.pour.wax, bore_area_mm2(candle)
    level = mass.value / (wax.density_g_cm3 * _G_PER_CM3_MM3 * area)
    parts = {
        "mass": mass.u / (wax.density_g_cm3 * _G_PER_CM3_MM3 * area),
        "density": abs(level) * wax.density_u_g_cm3 / wax.density_g_cm3,
        "bore": abs(level) * 2 * (0.5 / math.sqrt(3)) / candle.vessel.rim_inner_mm,
    }
    return Quantity.from_parts(level, "mm", parts)


def wax_left(candle: Candle) -> WaxLeft | None:
    """What the newest weighing leaves; needs the empty vessel's mass, or fill mass and a weighing when new."""
    weighings = sound(candle)
    if not weighings:
        return None
    newest = weighings[-1]
    mass = _left_above_empty(candle, newest) or _left_of_fill(candle, weighings[0], newest)
    return None if mass is None else WaxLeft(mass, level_of(candle, mass))


def _left_above_empty(candle: Candle, newest: Weighing) -> Quantity | None:
    if candle.empty_mass_g is None:
        return None
    u = step_u(newest.step_g)
    return Quantity.from_parts(newest.mass_g - candle.empty_mass_g, "g", {"reading": u, "empty vessel": u})


def _left_of_fill(candle: Candle, first: Weighing, newest: Weighing) -> Quantity | None:
    new = not candle.burns or first.at <= candle.burns[0].lit_at
    if candle.fill_mass_g is None or not new:
        return None
    lost = difference(first, newest)
    # The fill mass is poured by eye to the gram: half a gram to either side, rectangular; judged.
    parts = {"fill mass": 0.5 / math.sqrt(3), "weighings": lost.u}
    return Quantity.from_parts(candle.fill_mass_g - lost.value, "g", parts)


def burnt_until(candle: Candle, moment: datetime) -> Quantity | None:
    """Wax burnt from new to ``moment``, g: whole burns from weighings, a part of a burn in proportion to its time.

    Where a burn has no weighing after it, the mean rate of the candle's other burns stands in, with half of what it
    gives as standard uncertainty (judged: first-hour and later rates of one candle differ by a third). None when no
    burn tells a rate.
    """
    rates = [found.value for burn in candle.burns if (found := burn_rate(candle, burn))]
    total, parts = 0.0, [0.05]
    for burn in candle.burns:
        if burn.lit_at >= moment:
            break
        end = min(moment, burn.out_at) if burn.out_at else moment
        hours = minutes_between(burn.lit_at, end) / 60
        own = burn_rate(candle, burn)
        if own is None and not rates:
            return None
        lost = hours * (own.value if own else sum(rates) / len(rates))
        total += lost
        parts.append(hours * own.u + 0.1 * lost if own and burn.out_at and moment < burn.out_at else
                     (hours * own.u if own else 0.5 * lost))  # fmt: skip
    return Quantity(total, math.hypot(*parts), "g")
