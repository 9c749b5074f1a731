"""What judgement is made from: looks, burns, candles and arms, as small records without a database or a clock.

Quantities carry their units and standard uncertainties (`pooleye.measurement.Quantity`); what was not seen is absent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from pooleye.measurement import Quantity

#: Callipers on a bore: ±0.5 mm, rectangular (JCGM 100:2008, 4.3.7); judged.
BORE_U_MM = 0.5 / math.sqrt(3)
#: What says that a look saw the pool.
POOL_SEEN = frozenset({"pool_diameter", "pool_coverage", "hangup_mean", "pool_depth"})
#: What a photo taken after snuffing still tells.
AFTER_SNUFFING = frozenset({"wick_offset", "wick_lean", "soot_delta_L", "carbon_ball_diameter", "debris_count"})
#: The thing that varies in a trial -> the fields of `Setup` that it is allowed to change.
VARIABLES: Mapping[str, tuple[str, ...]] = {
    "wick": ("wick", "wick_count"),
    "vessel": ("vessel", "fill_mass_g"),
    "wax": ("wax",),
    "fragrance": ("fragrance",),
    "load": ("load_percent",),
    "dye": ("dye",),
    "pour-temperature": ("poured_at_c",),
    "cure": ("cured_days",),
}


@dataclass(frozen=True)
class Size:
    """A wick in the maker's own order of sizes: `order` ranks it within its `series`, small to large."""

    name: str
    series: str | None = None
    order: int | None = None
    diameter_mm: float | None = None


@dataclass(frozen=True)
class Setup:
    """What a candle is made of. `lots`: component -> label of the lot; `cured_days`: cure when it was first lit."""

    vessel: str
    bore_mm: float
    wick: Size
    wax: str
    vessel_kind: str = "container"
    straight: bool = True
    wick_count: int = 1
    fragrance: str | None = None
    load_percent: float = 0.0
    dye: str | None = None
    pour: str | None = None
    poured_at_c: float | None = None
    cured_days: float | None = None
    fill_mass_g: float | None = None
    density_g_cm3: Quantity = field(default_factory=lambda: Quantity(0.90, 0.02, "g/cm3"))
    lots: Mapping[str, str] = field(default_factory=dict)

    @property
    def bore_area_mm2(self) -> float:
        """Inner cross-section of the vessel, mm²."""
        return math.pi * self.bore_mm**2 / 4

    def mass_of_level_g(self, level_mm: float) -> float:
        """Mass of solid wax that stands `level_mm` high in a straight vessel, g."""
        return level_mm * self.bore_area_mm2 * self.density_g_cm3.value / 1000


@dataclass(frozen=True)
class Incident:
    """Something that ended a burn: a kebab-case `kind`, what happened in words, and where the rule is from."""

    kind: str
    words: str
    source: str
    minutes: float | None = None


@dataclass(frozen=True)
class Said:
    """What a tester's note claims by eye: quantity and state as the reader of notes has them, and the note's words."""

    quantity: str
    state: str
    words: str


@dataclass(frozen=True)
class Look:
    """One look at a candle, `minutes` after lighting: quantities by name, the photo's flags, what notes claim.

    `lit` is False for a photo taken after snuffing: it tells of wick, soot and debris, not of flame or pool.
    """

    minutes: float
    values: Mapping[str, Quantity] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    said: tuple[Said, ...] = ()
    lit: bool = True


@dataclass(frozen=True)
class Burn:
    """One burn. `wax_before_g`, `level_before_mm`: wax left and its level when lit. `minutes`: how long it burnt."""

    number: int
    looks: tuple[Look, ...] = ()
    kind: str = "standard"
    lit_at: datetime | None = None
    minutes: Quantity | None = None
    out_how: str | None = None
    burnt: Quantity | None = None
    burn_rate: Quantity | None = None
    wax_before_g: Quantity | None = None
    level_before_mm: Quantity | None = None
    headspace_before_mm: Quantity | None = None
    headspace_after_mm: Quantity | None = None
    trimmed_mm: float | None = None
    room_c: float | None = None
    rest_min: float | None = None
    incidents: tuple[Incident, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "looks", tuple(sorted(self.looks, key=lambda one: one.minutes)))

    @property
    def ended(self) -> bool:
        """Whether the burn is over."""
        return self.minutes is not None

    @property
    def last_look(self) -> Look | None:
        """The latest look at the burning candle that saw its pool, else the latest one; None without any."""
        lit = [look for look in self.looks if look.lit]
        pools = [look for look in lit if POOL_SEEN & look.values.keys()]
        seen = pools or lit
        return seen[-1] if seen else None


@dataclass(frozen=True)
class Candle:
    """One candle over its life. `over`: it burns no more (used up, stopped for good, retired); `over_why` says why.

    `new_values`: measured on the new candle, before its first burn.
    """

    code: str
    setup: Setup
    burns: tuple[Burn, ...] = ()
    arm: str | None = None
    wax_left_g: Quantity | None = None
    level_left_mm: Quantity | None = None
    over: bool = False
    over_why: str | None = None
    new_values: Mapping[str, Quantity] = field(default_factory=dict)

    @property
    def hours_burnt(self) -> float:
        """Hours alight over all ended burns."""
        return sum(burn.minutes.value for burn in self.burns if burn.minutes) / 60

    def first_value(self, name: str) -> Quantity | None:
        """The earliest measured value of a quantity, the baseline of what may move."""
        if name in self.new_values:
            return self.new_values[name]
        return next((look.values[name] for burn in self.burns for look in burn.looks if name in look.values), None)


@dataclass(frozen=True)
class Trial:
    """A question: what varies, the candles with their arms, and the wicks the maker has, in the maker's own order."""

    name: str
    varies: str
    candles: tuple[Candle, ...]
    wicks: tuple[Size, ...] = ()
    question: str | None = None

    @property
    def arms(self) -> Mapping[str, tuple[Candle, ...]]:
        """Candles by arm, in the order in which the arms appear."""
        found: dict[str, list[Candle]] = {}
        for candle in self.candles:
            found.setdefault(candle.arm or "not said", []).append(candle)
        return {name: tuple(candles) for name, candles in found.items()}
