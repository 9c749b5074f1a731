"""Quantities that follow from what was measured, each with its uncertainty (JCGM 100:2008, 5.1.2)."""

from __future__ import annotations

import math
from collections.abc import Mapping

from pooleye.judge.evidence import BORE_U_MM, Burn, Candle, Look, Setup
from pooleye.measurement import Quantity

#: One hour of burning for each inch of inner diameter: common practice, no source.
RULE_MM_PER_HOUR = 25.4
#: A ring narrower than this counts as gone: the wall's own wetting and the photo cannot show less; judged.
FULL_RING_MM = 1.0


def ratio(top: Quantity, bottom: Quantity, unit: str) -> Quantity:
    """top / bottom; relative uncertainties add in quadrature. ValueError when the bottom is not above zero."""
    if bottom.value <= 0:
        raise ValueError("a ratio needs a bottom above zero")
    value = top.value / bottom.value
    return Quantity(value, math.hypot(top.u / bottom.value, value * bottom.u / bottom.value), unit)


def difference(first: Quantity, second: Quantity) -> Quantity:
    """first - second, taken as independent."""
    return Quantity(first.value - second.value, math.hypot(first.u, second.u), first.unit)


def hour_per_inch_h(bore_mm: float) -> float:
    """Hours to a full pool by the rule of an hour per inch (common practice, no source)."""
    return bore_mm / RULE_MM_PER_HOUR


def pool_by_rule_mm(bore_mm: float, minutes: float) -> float:
    """Pool width that the rule of an hour per inch expects, mm; never wider than the bore."""
    return min(bore_mm, RULE_MM_PER_HOUR * minutes / 60)


def of_look(candle: Candle, look: Look) -> dict[str, Quantity]:
    """Everything that can be judged at a look: what was measured, and what follows from it."""
    found = dict(look.values)
    found.update(_flames(candle.setup, look.values))
    if candle.setup.wick_count == 1:  # wicks beside each other stand off centre by design
        found.update(_wick(candle, look.values))
    found.update(_pool(candle.setup, look))
    return found


def _flames(setup: Setup, values: Mapping[str, Quantity]) -> dict[str, Quantity]:
    found = {}
    if (count := values.get("flame_count")) is not None:
        found["flames_too_many"] = Quantity(count.value - setup.wick_count, count.u, "1")
    height, amplitude = values.get("flame_height"), values.get("flicker_amplitude")
    if height is not None and amplitude is not None and height.value > 0:
        found["flicker_share"] = ratio(amplitude, height, "1")
    return found


def _wick(candle: Candle, values: Mapping[str, Quantity]) -> dict[str, Quantity]:
    offset, first = values.get("wick_offset"), candle.first_value("wick_offset")
    if offset is None or first is None:
        return {}
    radius = Quantity(candle.setup.bore_mm / 2, BORE_U_MM / 2, "mm")
    found = {"wick_to_wall": difference(radius, offset), "wick_offset_share": ratio(offset, radius, "1")}
    if offset is not first:
        # The turn of the vessel between two photos is unknown: only the distances from the axis are compared, so this
        # is the least that the wick has moved.
        moved = difference(offset, first)
        found["wick_moved"] = Quantity(abs(moved.value), moved.u, "mm")
    return found


def _pool(setup: Setup, look: Look) -> dict[str, Quantity]:
    pool = look.values.get("pool_diameter")
    if pool is None or look.minutes <= 0:
        return {}
    bore = Quantity(setup.bore_mm, BORE_U_MM, "mm")
    rule = Quantity(pool_by_rule_mm(setup.bore_mm, look.minutes), BORE_U_MM, "mm")
    found = {"pool_against_rule": ratio(pool, rule, "1"), "pool_of_bore": ratio(pool, bore, "1")}
    if setup.straight and "hangup_mean" not in look.values:
        ring = difference(bore, pool)
        found["hangup_mean"] = Quantity(max(0.0, ring.value / 2), ring.u / 2, "mm")
    return found


def is_full(values: Mapping[str, Quantity]) -> bool | None:
    """Whether the pool has reached the wall all round; None when the ring's width does not tell."""
    ring = values.get("hangup_max") or values.get("hangup_mean")
    if ring is None:
        return None
    if ring.value - 2 * ring.u > FULL_RING_MM:
        return False
    return ring.value <= FULL_RING_MM or None


def full_melt_share(candle: Candle, burn: Burn) -> Quantity | None:
    """When the pool became full, as a share of an hour per inch; it lies between two looks, so it is rectangular.

    None when no look shows a full pool.
    """
    before = 0.0
    for look in burn.looks:
        full = is_full(of_look(candle, look))
        if full:
            rule_min = 60 * hour_per_inch_h(candle.setup.bore_mm)
            half = (look.minutes - before) / 2
            u = math.hypot(half / math.sqrt(3), 1.0)
            return Quantity((look.minutes + before) / 2 / rule_min, u / rule_min, "1")
        if full is False:
            before = look.minutes
    return None


def rate_per_wick(setup: Setup, rate: Quantity | None) -> Quantity | None:
    """Burn rate shared by the wicks, g/h."""
    return None if rate is None else Quantity(rate.value / setup.wick_count, rate.u / setup.wick_count, "g/h")


def of_burn(candle: Candle, burn: Burn) -> dict[str, Quantity]:
    """What can be judged of a burn as a whole."""
    found: dict[str, Quantity | None] = {
        "full_melt_share": full_melt_share(candle, burn),
        "burn_rate_per_wick": rate_per_wick(candle.setup, burn.burn_rate),
        "room": None if burn.room_c is None else Quantity(burn.room_c, 0.5, "C"),
        "rest": None if burn.rest_min is None else Quantity(burn.rest_min, 1.0, "min"),
        "trim": None if burn.trimmed_mm is None else Quantity(burn.trimmed_mm, 0.3, "mm"),
    }
    return {name: value for name, value in found.items() if value is not None}
