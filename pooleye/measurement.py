"""What a photo gave: quantities with uncertainty, outlines, flags; and how they are written for people and programs.

Every quantity is a value with a standard uncertainty (JCGM 100:2008, "GUM", 3.3.5: one standard deviation), or it is
absent and a flag says why. There is no zero, no minus one and no NaN for "unknown".
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from decimal import ROUND_HALF_EVEN, Decimal
from itertools import chain
from types import MappingProxyType
from typing import Any, Literal

from pooleye.flags import Declined, flag_named, reason_named

View = Literal["top", "side", "auto"]
PointPx = tuple[float, float]

#: Every quantity of the contract: name -> (unit, how it is called in tables). "1" is a pure number.
QUANTITIES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "pool_diameter": ("mm", "melt pool diameter"),
        "pool_diameter_min": ("mm", "melt pool, narrowest"),
        "pool_diameter_max": ("mm", "melt pool, widest"),
        "pool_area": ("mm2", "melt pool area"),
        "pool_coverage": ("1", "share of the wax that is liquid"),
        "pool_offset": ("mm", "melt pool off centre by"),
        "hangup_mean": ("mm", "hang-up, mean width"),
        "hangup_max": ("mm", "hang-up, widest"),
        "wick_offset": ("mm", "wick off centre by"),
        "wick_lean": ("deg", "wick leans by"),
        "wick_count": ("1", "wicks"),
        "carbon_ball_diameter": ("mm", "carbon ball on the wick"),
        "debris_count": ("1", "bits of debris in the pool"),
        "flame_count": ("1", "flames"),
        "headspace": ("mm", "headspace, rim to wax"),
        "soot_delta_L": ("1", "soot, darkening of the wall (L*)"),
        "soot_arc": ("deg", "soot, sooty part of the wall"),
        "soot_view_arc": ("deg", "part of the wall that shows"),
        "camera_height": ("mm", "phone above the rim"),
        "tilt": ("deg", "phone tilted by"),
        "flame_height": ("mm", "flame height"),
        "flame_height_visible": ("mm", "flame height that shows"),
        "flame_height_max": ("mm", "flame height, tallest"),
        "flame_width": ("mm", "flame width"),
        "flame_lean": ("deg", "flame leans by"),
        "flicker_amplitude": ("mm", "flicker, amplitude"),
        "flicker_frequency": ("Hz", "flicker, frequency"),
        "wax_level": ("mm", "wax level above the table"),
        "pool_depth": ("mm", "melt pool depth"),
        "smoke_strength": ("1", "smoke (0 none to 1)"),
    }
)
#: Quantities given for each of the twelve clock positions: name -> unit.
CLOCK_QUANTITIES: Mapping[str, str] = MappingProxyType({"hangup_width": "mm", "soot_delta_L": "1"})
COUNTS = frozenset({"wick_count", "debris_count", "flame_count"})
SHARES = frozenset({"pool_coverage"})
RIM_KEYS = ("cx", "cy", "semi_major", "semi_minor", "angle_deg")
SECTORS = 12


@dataclass(frozen=True)
class Quantity:
    """A value, its standard uncertainty `u` and their unit.

    `parts` names the standard uncertainties that went into `u`, each in the same unit, such as ("edge", 0.4). Parts
    that share a cause are correlated, so they need not add up to `u` in quadrature; `from_parts` is for those that do.
    Raises ValueError unless value is finite, u is finite and above zero, and every part is finite and not negative.
    """

    value: float
    u: float
    unit: str
    parts: tuple[tuple[str, float], ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise ValueError(f"value {self.value} is not finite; leave the quantity out and flag why")
        if not (math.isfinite(self.u) and self.u > 0):
            raise ValueError(f"standard uncertainty {self.u} is not above zero")
        for name, part in self.parts:
            if not (math.isfinite(part) and part >= 0):
                raise ValueError(f"uncertainty part {name!r} is {part}")

    @classmethod
    def from_parts(cls, value: float, unit: str, parts: Mapping[str, float]) -> Quantity:
        """A quantity whose parts are independent: u is their root sum of squares (JCGM 100:2008, 5.1.2, eq. 10)."""
        return cls(value, math.hypot(*parts.values()), unit, tuple(parts.items()))

    def __str__(self) -> str:
        return f"{format_value(self.value, self.u)}{after_number(self.unit)}"


@dataclass(frozen=True)
class Outlines:
    """What was found, in pixels of the upright photo at full size (centre of the top-left pixel = (0, 0)).

    `rim` has the keys cx, cy, semi_major, semi_minor, angle_deg (major axis, clockwise from +x as seen). `wall`, the
    inner wall at the pool's level, and `wick_tip` are for overlays only and not part of the JSON contract.
    """

    rim: Mapping[str, float] | None = None
    pool: Sequence[PointPx] = ()
    wick: PointPx | None = None
    flame_tip: PointPx | None = None
    flame_base: PointPx | None = None
    wall: Sequence[PointPx] = ()
    wick_tip: PointPx | None = None
    debris: Sequence[PointPx] = ()

    def __post_init__(self) -> None:
        if self.rim is not None:
            _check_rim(self.rim)
        for name in ("pool", "wall", "debris"):
            object.__setattr__(self, name, _points(getattr(self, name)))

    def as_json(self) -> dict[str, Any]:
        """The `outlines_px` object of the contract; what was not found is left out."""
        found: dict[str, Any] = {}
        if self.rim is not None:
            found["rim"] = {key: round(float(self.rim[key]), 2) for key in RIM_KEYS}
        for name in ("pool", "debris"):
            if points := getattr(self, name):
                found[name] = [_rounded_point(point) for point in points]
        for name in ("wick", "flame_tip", "flame_base"):
            point = getattr(self, name)
            if point is not None:
                found[name] = _rounded_point(point)
        return found


@dataclass(frozen=True)
class PhotoResult:
    """One photo, measured or declined. Build it with `measured` or `declined`; every name is checked on its list."""

    photo: str
    view: View
    status: Literal["measured", "declined"]
    reason: str | None = None
    hint: str | None = None
    flags: tuple[str, ...] = ()
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    by_clock: Mapping[str, Sequence[float | None]] = field(default_factory=dict)
    outlines_px: Outlines = field(default_factory=Outlines)
    method: str = ""
    seconds: float = 0.0

    def __post_init__(self) -> None:
        if (self.status == "declined") != (self.reason is not None and self.hint is not None):
            raise ValueError("a declined photo has a reason and a hint, a measured one has neither")
        if self.reason is not None:
            reason_named(self.reason)
        object.__setattr__(self, "flags", tuple(flag_named(name).name for name in dict.fromkeys(self.flags)))
        for name, quantity in self.quantities.items():
            _check_quantity(name, quantity)
        for name, values in self.by_clock.items():
            _check_clock(name, values)

    @classmethod
    def measured(
        cls,
        photo: str,
        view: View,
        *,
        method: str,
        quantities: Mapping[str, Quantity],
        flags: Iterable[str] = (),
        by_clock: Mapping[str, Sequence[float | None]] | None = None,
        outlines_px: Outlines | None = None,
        seconds: float = 0.0,
    ) -> PhotoResult:
        """A measured photo. Raises ValueError for an unknown flag, quantity or unit."""
        return cls(
            photo,
            view,
            "measured",
            flags=tuple(flags),
            quantities=MappingProxyType(dict(quantities)),
            by_clock=MappingProxyType({name: tuple(values) for name, values in (by_clock or {}).items()}),
            outlines_px=outlines_px or Outlines(),
            method=method,
            seconds=seconds,
        )

    @classmethod
    def declined(
        cls,
        photo: str,
        view: View,
        reason: str,
        *,
        method: str,
        hint: str | None = None,
        flags: Iterable[str] = (),
        outlines_px: Outlines | None = None,
        seconds: float = 0.0,
    ) -> PhotoResult:
        """A photo that cannot be measured; `hint` replaces the registered one. ValueError for an unknown reason."""
        return cls(
            photo,
            view,
            "declined",
            reason=reason,
            hint=hint or reason_named(reason).hint,
            flags=tuple(flags),
            outlines_px=outlines_px or Outlines(),
            method=method,
            seconds=seconds,
        )

    @classmethod
    def from_declined(cls, photo: str, view: View, why: Declined, *, method: str) -> PhotoResult:
        """The result for a `Declined` raised on the way."""
        return cls.declined(photo, view, why.reference, hint=why.hint, method=method)

    def with_seconds(self, seconds: float) -> PhotoResult:
        """The same result with the time it took."""
        return replace(self, seconds=seconds)

    def with_flags(self, *names: str) -> PhotoResult:
        """The same result with more flags."""
        return replace(self, flags=(*self.flags, *names))

    def as_json(self) -> dict[str, Any]:
        """The JSON contract as plain Python objects, numbers rounded to what their uncertainty supports."""
        return {
            "photo": self.photo,
            "view": self.view,
            "status": self.status,
            "reason": self.reason,
            "hint": self.hint,
            "flags": list(self.flags),
            "quantities": {name: _quantity_json(quantity) for name, quantity in self.quantities.items()},
            "by_clock": {
                name: {
                    "unit": CLOCK_QUANTITIES[name],
                    "values": [None if v is None else round(float(v), 2) for v in values],
                }
                for name, values in self.by_clock.items()
            },
            "outlines_px": self.outlines_px.as_json(),
            "method": self.method,
            "seconds": round(self.seconds, 3),
        }

    def to_json(self) -> str:
        """One line of strict JSON (RFC 8259: no NaN, no infinity)."""
        return json.dumps(self.as_json(), ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def shown(name: str, quantity: Quantity) -> str:
    """A quantity of the contract as people read it: shares in percent, counts as counts, all else as value ± u."""
    if name in COUNTS:
        return f"{quantity.value:.0f}" if quantity.u < 0.5 else f"about {quantity.value:.0f}"
    if name in SHARES:
        return f"{format_value(100 * quantity.value, 100 * quantity.u)} %"
    return str(quantity)


def after_number(unit: str | None) -> str:
    """A unit as it stands behind a number: " mm", "°", " °C"; nothing for ratios and counts."""
    return {None: "", "1": "", "mm2": " mm²", "deg": "°", "C": " °C"}.get(unit, f" {unit}")


def format_value(value: float, u: float) -> str:
    """`value ± u` with as many digits as `u` supports: "58.3 ± 0.7", "0.83 ± 0.12".

    Rule: of the three leading digits of u, 100 to 354 keep two digits, 355 to 949 keep one, 950 to 999 round up to 1000
    and keep two; the value ends at the same decimal place. Source: Particle Data Group, Review of Particle Physics,
    Introduction, section 5.3 (2006 edition: doi 10.1088/0954-3899/33/1/001).

    Raises ValueError unless both are finite and u is above zero.
    """
    if not (math.isfinite(value) and math.isfinite(u) and u > 0):
        raise ValueError(f"cannot write {value} ± {u}")
    place = _last_place(u)
    if place > 3 or place < -6:
        power = place + 1 if abs(value) <= u else math.floor(math.log10(abs(value)))
        return f"({_at_place(value, place, power)} ± {_at_place(u, place, power)})e{power}"
    return f"{_at_place(value, place)} ± {_at_place(u, place)}"


def _last_place(u: float) -> int:
    """The power of ten at which a value with this uncertainty ends (the rule of `format_value`)."""
    digits = f"{u:.2e}"
    leading, power = round(float(digits[:4]) * 100), int(digits[5:])
    if leading >= 950:
        return power
    return power - 1 if leading <= 354 else power


def _at_place(value: float, place: int, power: int = 0) -> str:
    """`value` / 10^power, rounded at the decimal place 10^place (half to even), without a minus sign before zero."""
    rounded = Decimal(repr(value)).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN).scaleb(-power)
    return f"{rounded + 0 if rounded else abs(rounded):f}"


def _quantity_json(quantity: Quantity) -> dict[str, Any]:
    """u to three significant digits and the value to the same place: rounding adds less than 0.5 % to u."""
    decimals = 2 - math.floor(math.log10(quantity.u))
    return {"value": round(quantity.value, decimals) + 0.0, "u": round(quantity.u, decimals), "unit": quantity.unit}


def _check_quantity(name: str, quantity: Quantity) -> None:
    if name not in QUANTITIES:
        raise ValueError(f"quantity {name!r} is not in pooleye.measurement.QUANTITIES")
    if quantity.unit != QUANTITIES[name][0]:
        raise ValueError(f"{name} is in {QUANTITIES[name][0]}, not {quantity.unit}")


def _check_clock(name: str, values: Sequence[float | None]) -> None:
    if name not in CLOCK_QUANTITIES:
        raise ValueError(f"{name!r} is not in pooleye.measurement.CLOCK_QUANTITIES")
    if len(values) != SECTORS or not all(value is None or math.isfinite(value) for value in values):
        raise ValueError(f"{name} by clock needs {SECTORS} finite numbers or None")


def _check_rim(rim: Mapping[str, float]) -> None:
    if set(rim) != set(RIM_KEYS) or not all(math.isfinite(value) for value in rim.values()):
        raise ValueError(f"a rim has the finite numbers {', '.join(RIM_KEYS)}")
    if not rim["semi_major"] >= rim["semi_minor"] > 0:
        raise ValueError("a rim's axes are semi_major >= semi_minor > 0")


def _points(points: Iterable[Iterable[float]]) -> tuple[PointPx, ...]:
    """Points from an (n, 2) array or any nesting of numbers, as plain floats."""
    pairs = tuple((float(x), float(y)) for x, y in points)
    if not all(map(math.isfinite, chain.from_iterable(pairs))):
        raise ValueError("an outline has a point that is not finite")
    return pairs


def _rounded_point(point: Iterable[float]) -> list[float]:
    return [round(float(coordinate), 2) for coordinate in point]
