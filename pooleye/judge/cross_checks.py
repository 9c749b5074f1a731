"""Records that cannot be right, found by physics; they are doubts about the log, never verdicts on the candle."""

from __future__ import annotations

import math

from pooleye.judge import derived
from pooleye.judge.criteria import Criteria
from pooleye.judge.evidence import BORE_U_MM, Burn, Candle, Look, Setup
from pooleye.judge.findings import Finding, Standing, judged, stand
from pooleye.measurement import Quantity

#: Liquid wax, g/cm³: 0.77 to 0.79 (from memory), taken as rectangular and widened to 0.75 to 0.85 for waxes at large.
LIQUID_DENSITY = Quantity(0.80, 0.05 / math.sqrt(3), "g/cm3")
#: Share of a pool's cylinder that is liquid: its floor is a bowl, between a cone (1/3) and a cylinder (1); judged.
BOWL_SHARE = Quantity(2 / 3, 1 / 3 / math.sqrt(3), "1")


def level_fall_mm(setup: Setup, mass: Quantity) -> Quantity:
    """How far the level of solid wax falls in a straight bore when `mass` (g) is burnt, mm."""
    density = setup.density_g_cm3
    value = 1000 * mass.value / (density.value * setup.bore_area_mm2)
    relative = math.hypot(density.u / density.value, 2 * BORE_U_MM / setup.bore_mm)
    return Quantity(value, math.hypot(value * relative, 1000 * mass.u / (density.value * setup.bore_area_mm2)), "mm")


def melted_g(pool_diameter: Quantity, pool_depth: Quantity) -> Quantity:
    """Liquid wax in a pool, g: cylinder of the pool's width and depth, times the share that its bowl fills."""
    volume_cm3 = math.pi * pool_diameter.value**2 / 4 * pool_depth.value / 1000
    value = volume_cm3 * LIQUID_DENSITY.value * BOWL_SHARE.value
    relative = math.hypot(
        2 * pool_diameter.u / pool_diameter.value,
        pool_depth.u / pool_depth.value,
        LIQUID_DENSITY.u / LIQUID_DENSITY.value,
        BOWL_SHARE.u / BOWL_SHARE.value,
    )
    return Quantity(value, value * relative, "g")


def flame_for_rate(setup: Setup, burn: Burn) -> Quantity | None:
    """Mean flame height of a burn for each gram an hour and wick, mm/(g/h); None without both."""
    rate = derived.rate_per_wick(setup, burn.burn_rate)
    flames = [look.values["flame_height"] for look in burn.looks if "flame_height" in look.values]
    if rate is None or not flames or rate.value <= 0:
        return None
    mean = sum(one.value for one in flames) / len(flames)
    # Looks share the phone and its scale: their uncertainty is taken as common, and how they differ is added.
    spread = math.sqrt(sum((one.value - mean) ** 2 for one in flames) / len(flames))
    height = Quantity(mean, math.hypot(max(one.u for one in flames), spread), "mm")
    return derived.ratio(height, rate, "mm/(g/h)")


def level_against_mass(setup: Setup, burn: Burn) -> Quantity | None:
    """|level fallen - what the mass burnt makes| in standard uncertainties; None without headspaces and weighings."""
    before, after = burn.headspace_before_mm, burn.headspace_after_mm
    if before is None or after is None or burn.burnt is None or not setup.straight:
        return None
    fallen, by_mass = derived.difference(after, before), level_fall_mm(setup, burn.burnt)
    apart = derived.difference(fallen, by_mass)
    return Quantity(abs(apart.value) / apart.u, 1e-9, "1")


def melted_share(burn: Burn, look: Look) -> Quantity | None:
    """Liquid wax of the pool as a share of the wax there was when the burn began."""
    pool, depth, wax = look.values.get("pool_diameter"), look.values.get("pool_depth"), burn.wax_before_g
    if pool is None or depth is None or wax is None or wax.value <= 0 or pool.value <= 0 or depth.value <= 0:
        return None
    return derived.ratio(melted_g(pool, depth), wax, "1")


def vessel_above_room(burn: Burn, look: Look) -> Quantity | None:
    """How much hotter than the room the vessel is outside, °C; the room taken as 20 ± 5 °C when not said."""
    vessel = look.values.get("vessel_temperature")
    if vessel is None:
        return None
    room = Quantity(20.0, 5 / math.sqrt(3), "C") if burn.room_c is None else Quantity(burn.room_c, 1.0, "C")
    return derived.difference(vessel, room)


def check_burn(criteria: Criteria, candle: Candle, burn: Burn) -> tuple[Finding, ...]:
    """Every doubt about a burn's records: only what lies outside by more than 2u, each rule once."""
    found: list[tuple[str, Quantity | None, str]] = [
        ("flame_for_rate", flame_for_rate(candle.setup, burn), f"burn {burn.number}"),
        ("level_against_mass", level_against_mass(candle.setup, burn), f"burn {burn.number}"),
    ]
    for look in burn.looks:
        place = f"burn {burn.number}, {look.minutes:.0f} min"
        found += [
            ("melted_against_wax", melted_share(burn, look), place),
            ("vessel_above_room", vessel_above_room(burn, look), place),
            ("pool_wider_than_bore", derived.of_look(candle, look).get("pool_of_bore"), place),
        ]
    doubts: dict[str, Finding] = {}
    for key, value, place in found:
        if value is not None and stand(value, criteria[key]) in (Standing.ABOVE, Standing.BELOW):
            doubts.setdefault(key, judged(criteria[key], value, place, burn.number))
    return tuple(doubts.values())
