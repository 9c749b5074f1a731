"""Candles made on the spot for the judge's tests: invented, and never evidence of anything."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from pooleye.judge.criteria import Criteria, shipped
from pooleye.judge.evidence import Burn, Candle, Look, Setup, Size, Trial
from pooleye.measurement import QUANTITIES, Quantity

UNITS = {name: unit for name, (unit, _) in QUANTITIES.items()} | {"vessel_temperature": "C", "wax_left_level": "mm"}
#: A bore of 75 mm: by an hour per inch it should be full after 2.95 h.
SETUP = Setup(
    "straight jar", 75.0, Size("wick 3", "plain", 3, 2.0), "soy", fill_mass_g=180.0, pour="P1", cured_days=14.0
)
#: Everything a good look shows: u as the measuring promises it.
GOOD = {
    "flame_height": (20.0, 0.5),
    "flame_count": (1.0, 0.05),
    "wick_offset": (1.0, 0.5),
    "soot_delta_L": (0.0, 0.8),
    "carbon_ball_diameter": (1.0, 0.4),
    "smoke_strength": (0.0, 0.04),
    "debris_count": (0.0, 0.05),
    "vessel_temperature": (48.0, 1.7),
    "pool_depth": (9.0, 0.6),
    "pool_diameter": (72.0, 0.5),
    "hangup_mean": (1.5, 0.3),
    "wax_left_level": (30.0, 0.5),
}


def quantities(**values: Any) -> dict[str, Quantity]:
    """name = (value, u) in the quantity's own unit; None leaves it out."""
    return {name: Quantity(*pair, UNITS[name]) for name, pair in values.items() if pair is not None}


def look(minutes: float = 240.0, **values: Any) -> Look:
    """A good look with some values otherwise."""
    return Look(minutes, quantities(**(GOOD | values)))


def burn(number: int = 3, *looks: Look, **more: Any) -> Burn:
    """A four-hour burn of 5.5 g/h; without looks, with one good one at its end."""
    given: dict[str, Any] = {
        "minutes": Quantity(240.0, 0.8, "min"),
        "burnt": Quantity(22.0, 0.04, "g"),
        "burn_rate": Quantity(5.5, 0.03, "g/h"),
        "trimmed_mm": 6.0,
        "room_c": 21.0,
        "rest_min": 1200.0,
    }
    return Burn(number, looks or (look(),), **(given | more))


def candle(*burns: Burn, code: str = "C1", setup: Setup = SETUP, **more: Any) -> Candle:
    """A candle; without burns, with six good ones."""
    return Candle(code, setup, burns or tuple(burn(number) for number in range(1, 7)), **more)


def arm(
    name: str, size: Size, hangups: tuple[float, ...], *, flames: tuple[float, ...] | None = None, **setup: Any
) -> list[Candle]:
    """Used-up candles of one wick: a mean hang-up and a tallest flame for each."""
    made = []
    for index, ring in enumerate(hangups):
        flame = 20.0 if flames is None else flames[index]
        seen = look(hangup_mean=(ring, 0.3), pool_diameter=(75 - 2 * ring, 0.5), flame_height=(flame, 0.5))
        made.append(
            candle(
                *(burn(number, seen) for number in range(1, 7)),
                code=f"{name}-{index + 1}",
                setup=replace(SETUP, wick=size, **setup),
                arm=name,
                over=True,
            )
        )
    return made


SIZES = tuple(Size(f"wick {order}", "plain", order, 1.5 + 0.2 * order) for order in range(1, 7))


def trial(*candles: Candle, varies: str = "wick") -> Trial:
    return Trial("which wick", varies, candles, SIZES)


class Made:
    """The builders, for tests that ask for them."""

    look = staticmethod(look)
    burn = staticmethod(burn)
    candle = staticmethod(candle)
    arm = staticmethod(arm)
    trial = staticmethod(trial)
    quantities = staticmethod(quantities)
    setup = SETUP
    sizes = SIZES
    good = GOOD


@pytest.fixture(scope="session")
def made() -> type[Made]:
    return Made


@pytest.fixture(scope="session")
def criteria() -> Criteria:
    return shipped()


Builder = Callable[..., Any]
