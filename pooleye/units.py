"""Lengths, masses and temperatures as makers write them, into mm, g and °C, and back.

Plain spellings ("76", "76mm", "3in", "2 5/8 in", '3"') are read from small tables; anything else goes to pint, which is
loaded only then. Factors: 1 in = 25.4 mm and 1 lb = 453.59237 g exactly (international yard and pound agreement, 1959;
NIST SP 811, appendix B).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from pooleye.errors import UsageError

if TYPE_CHECKING:
    import pint

MM_PER_INCH = 25.4
G_PER_POUND = 453.59237
G_PER_OUNCE = G_PER_POUND / 16

LENGTH_UNITS_MM: Mapping[str, float] = {
    **dict.fromkeys(("", "mm", "millimetre", "millimetres", "millimeter", "millimeters"), 1.0),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), 10.0),
    **dict.fromkeys(("in", "in.", "inch", "inches", '"', "″", "”", "''"), MM_PER_INCH),
}
MASS_UNITS_G: Mapping[str, float] = {
    **dict.fromkeys(("", "g", "gram", "grams", "gramme", "grammes"), 1.0),
    **dict.fromkeys(("kg", "kilo", "kilos"), 1000.0),
    **dict.fromkeys(("oz", "oz.", "ounce", "ounces"), G_PER_OUNCE),
    **dict.fromkeys(("lb", "lbs", "lb.", "pound", "pounds"), G_PER_POUND),
}
CELSIUS_SPELLINGS = frozenset({"c", "°c", "ºc", "degc", "deg c", "celsius"})
FAHRENHEIT_SPELLINGS = frozenset({"f", "°f", "ºf", "degf", "deg f", "fahrenheit"})

UNICODE_FRACTIONS: Mapping[str, str] = {
    "¼": "1/4", "½": "1/2", "¾": "3/4", "⅓": "1/3", "⅔": "2/3", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8",
}  # fmt: skip
NUMBER_AND_UNIT = re.compile(
    r"""(?P<sign>[-+−]?)\s*
        (?: (?P<whole>\d+)[\s-]+(?P<numerator>\d+)\s*/\s*(?P<denominator>\d+)   # 2 5/8, 2-5/8
          | (?P<top>\d+)\s*/\s*(?P<bottom>\d+)                                  # 5/8
          | (?P<decimal>\d+(?:[.,]\d*)?|[.,]\d+) )                              # 76, 76.5, 76,5, .5
        \s*(?P<unit>.*)""",
    re.VERBOSE | re.DOTALL,
)


def parse_length_mm(text: str, what: str = "length") -> float:
    """A length above zero in mm; a number alone is mm. `what` names the length in error texts ("inner rim diameter").

    Raises UsageError for text that is no length, is zero or negative, or whose unit is unknown or ambiguous.
    """
    value, unit = _split(text, what, example="76mm or 3in")
    if unit in ("'", "′", "’"):
        raise _ambiguous(text, what, "a single ' is the sign for feet", 'for inches write 3in or 3"')
    return _above_zero(value * _factor(unit, LENGTH_UNITS_MM, "mm", text, what), text, what, example="76mm or 3in")


def parse_mass_g(text: str, what: str = "mass") -> float:
    """A mass above zero in g; a number alone is g, "oz" the avoirdupois ounce. UsageError as in parse_length_mm."""
    value, unit = _split(text, what, example="210g or 7.4oz")
    if "fl" in unit:
        raise _ambiguous(text, what, "fluid ounces measure room, not weight", "weigh it: 210g or 7.4oz")
    return _above_zero(value * _factor(unit, MASS_UNITS_G, "g", text, what), text, what, example="210g or 7.4oz")


def parse_temperature_c(text: str, what: str = "temperature") -> float:
    """A temperature in °C. The unit must be said: makers write both 60 and 140 for the same warm glass.

    Raises UsageError for text that is no temperature, lies below absolute zero, or has no unit.
    """
    value, unit = _split(text, what, example="60C or 140F")
    if unit == "":
        raise _ambiguous(
            text, what, "it does not say Celsius or Fahrenheit", f"write {text.strip()}C or {text.strip()}F"
        )
    celsius = _to_celsius(value, unit, text, what)
    if celsius < -273.15:
        raise UsageError(
            "temperature-absurd", f"{what}: {text.strip()!r} is colder than anything can be", hint="write 60C or 140F"
        )
    return celsius


def format_length(length_mm: float, unit: str = "mm") -> str:
    """A length for reading, to 0.1 mm or 0.01 in."""
    return f"{length_mm:.1f} mm" if unit == "mm" else f"{length_mm / MM_PER_INCH:.2f} in"


def format_mass(mass_g: float, unit: str = "g") -> str:
    """A mass for reading, to 0.1 g or 0.01 oz."""
    return f"{mass_g:.1f} g" if unit == "g" else f"{mass_g / G_PER_OUNCE:.2f} oz"


def format_temperature(temperature_c: float, unit: str = "C") -> str:
    """A temperature for reading, to one degree."""
    return f"{temperature_c:.0f} °C" if unit == "C" else f"{temperature_c * 9 / 5 + 32:.0f} °F"


def _split(text: str, what: str, example: str) -> tuple[float, str]:
    """The number and the lower-case unit word of a text such as "2 5/8 in"."""
    match = NUMBER_AND_UNIT.fullmatch(_plain(text))
    if match is None:
        raise UsageError(
            f"{_kind(what)}-unreadable", f"{what}: {text.strip()!r} is not a number", hint=f"write {example}"
        )
    _refuse_thousands(match["decimal"], text, what)
    value = _number(match, text, what)
    unit = " ".join(match["unit"].lower().split())
    return (-value if match["sign"] in ("-", "−") else value), unit


def _plain(text: str) -> str:
    for sign, fraction in UNICODE_FRACTIONS.items():
        text = text.replace(sign, f" {fraction}")
    return text.strip()


def _number(match: re.Match[str], text: str, what: str) -> float:
    if match["decimal"] is not None:
        return float(match["decimal"].replace(",", "."))
    whole = float(match["whole"] or 0)
    top, bottom = float(match["numerator"] or match["top"]), float(match["denominator"] or match["bottom"])
    if bottom == 0:
        raise UsageError(
            f"{_kind(what)}-unreadable", f"{what}: {text.strip()!r} divides by zero", hint="write it as 2 5/8 in"
        )
    return whole + top / bottom


def _refuse_thousands(decimal: str | None, text: str, what: str) -> None:
    """1,000 is a thousand to one reader and one to another."""
    if decimal and re.fullmatch(r"\d+,\d{3}", decimal):
        raise _ambiguous(text, what, "the comma could be a decimal comma or mark thousands", "use a point, or no comma")


def _factor(unit: str, table: Mapping[str, float], base: str, text: str, what: str) -> float:
    return table[unit] if unit in table else _pint_factor(unit, base, text, what)


def _pint_factor(unit: str, base: str, text: str, what: str) -> float:
    """The unit's size in `base` according to pint, which is loaded here and nowhere else."""
    import pint

    try:
        return float(_registry().Quantity(1.0, unit).to(base).magnitude)
    except pint.DimensionalityError:
        problem = "is no unit of mass" if base == "g" else "is no unit of length"
    except Exception:  # pint raises tokenizer, attribute and syntax errors alike for text that names no unit
        problem = "is a unit that pooleye does not know"
    example = "210g or 7.4oz" if base == "g" else "76mm or 3in"
    raise UsageError("unit-unknown", f"{what}: {unit!r} in {text.strip()!r} {problem}", hint=f"write {example}")


def _to_celsius(value: float, unit: str, text: str, what: str) -> float:
    if unit in CELSIUS_SPELLINGS:
        return value
    if unit in FAHRENHEIT_SPELLINGS:
        return (value - 32) * 5 / 9
    if unit in ("k", "kelvin"):
        return value - 273.15
    raise UsageError(
        "unit-unknown", f"{what}: {unit!r} in {text.strip()!r} is no unit of temperature", hint="write 60C or 140F"
    )


def _above_zero(value: float, text: str, what: str, example: str) -> float:
    if value > 0 and math.isfinite(value):
        return value
    kind = "zero" if value == 0 else "negative" if value < 0 else "too large to be real"
    raise UsageError(
        f"{_kind(what)}-not-positive", f"{what}: {text.strip()!r} is {kind}", hint=f"measure it and write {example}"
    )


def _ambiguous(text: str, what: str, why: str, hint: str) -> UsageError:
    return UsageError("unit-ambiguous", f"{what}: {text.strip()!r} can be read two ways: {why}", hint=hint)


def _kind(what: str) -> str:
    """The last word of `what` as the start of an error reference: "inner rim diameter" gives "diameter"."""
    words = re.findall(r"[a-z]+", what.lower())
    return words[-1] if words else "value"


_pint_registry: pint.UnitRegistry[Any] | None = None


def _registry() -> pint.UnitRegistry[Any]:
    global _pint_registry
    if _pint_registry is None:
        import pint

        _pint_registry = pint.UnitRegistry(cache_folder=None)
    return _pint_registry
