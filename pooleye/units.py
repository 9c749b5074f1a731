"""Lengths, masses and temperatures as makers write them, into mm, g and °C, and back.

Plain spellings ("76", "76mm", "3in", "2 5/8 in", '3"') are read from small tables; anything else goes to pint, which is
loaded only then. Factors: 1 in = 25.4 mm and 1 lb = 453.59237 g exactly (international yard and pound agreement, 1959;
NIST SP 811, appendix B).
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal

from pooleye.errors import UsageError

if TYPE_CHECKING:
    import pint

MM_PER_INCH = 25.4
G_PER_POUND = 453.59237
G_PER_OUNCE = G_PER_POUND / 16
ABSOLUTE_ZERO_C = -273.15

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


@dataclass(frozen=True)
class _Text:
    """What a person wrote, what it stands for, and what to write instead, so that every error can say all three."""

    text: str
    what: str
    kind: str  # length, mass or temperature; the start of error references
    example: str

    @property
    def shown(self) -> str:
        text = self.text.strip()
        return repr(text if len(text) <= 30 else text[:27] + "...") if text else "an empty text"

    def split(self) -> tuple[float, str]:
        """The number and the lower-case unit word: "2 5/8 IN" gives (2.625, "in")."""
        match = NUMBER_AND_UNIT.fullmatch(_without_unicode_fractions(self.text))
        if match is None:
            raise self.error("unreadable", "is not a number with a unit")
        if match["decimal"] and re.fullmatch(r"\d+,\d{3}", match["decimal"]):
            raise self.ambiguous("the comma may mark thousands or decimals", "use a point for decimals, nothing else")
        value = self._number(match)
        return (-value if match["sign"] in ("-", "−") else value), " ".join(match["unit"].lower().split())

    def _number(self, match: re.Match[str]) -> float:
        if match["decimal"] is not None:
            return float(match["decimal"].replace(",", "."))
        top, bottom = float(match["numerator"] or match["top"]), float(match["denominator"] or match["bottom"])
        if bottom == 0:
            raise self.error("unreadable", "divides by zero")
        return float(match["whole"] or 0) + top / bottom

    def factor(self, unit: str, table: Mapping[str, float], base: str) -> float:
        """The unit's size in `base`, from the small table or else from pint."""
        return table[unit] if unit in table else self._pint_factor(unit, base)

    def _pint_factor(self, unit: str, base: str) -> float:
        import pint

        if not re.fullmatch(r"[^\W\d_]+( [^\W\d_]+)*", unit):  # pint would work out sums and powers in it
            raise self.error("unit", f"has the unit {unit[:30]!r}, which is not known")
        try:
            return float(_registry().Quantity(1.0, unit).to(base).magnitude)
        except pint.DimensionalityError:
            raise self.error("unit", f"has the unit {unit!r}, which is none of {self.kind}") from None
        except Exception:  # pint raises tokenizer, attribute and syntax errors alike for text that names no unit
            raise self.error("unit", f"has the unit {unit!r}, which is not known") from None

    def above_zero(self, value: float) -> float:
        if value > 0 and math.isfinite(value):
            return value
        problem = "is zero" if value == 0 else "is less than zero" if value < 0 else "is beyond all measure"
        raise self.error("not-positive", problem)

    def error(self, problem: str, words: str) -> UsageError:
        message = f"{self.what}: {self.shown} {words}"
        return UsageError(f"{self.kind}-{problem}", message, hint=f"write {self.example}")

    def ambiguous(self, why: str, hint: str) -> UsageError:
        message = f"{self.what}: {self.shown} can be read in two ways: {why}"
        return UsageError(f"{self.kind}-ambiguous", message, hint=hint)


def parse_length_mm(text: str, what: str = "length") -> float:
    """A length above zero in mm; a number alone is mm. `what` names the length in error texts ("inner rim diameter").

    Raises UsageError for text that is no length, is zero or negative, or whose unit is unknown or ambiguous.
    """
    said = _Text(text, what, "length", "76mm or 3in")
    value, unit = said.split()
    if unit in ("'", "′", "’"):
        raise said.ambiguous("a single ' stands for feet, and is easily typed for inches", 'write 3in or 3"')
    return said.above_zero(value * said.factor(unit, LENGTH_UNITS_MM, "mm"))


def parse_mass_g(text: str, what: str = "mass") -> float:
    """A mass above zero in g; a number alone is g, "oz" the avoirdupois ounce. UsageError as in parse_length_mm."""
    said = _Text(text, what, "mass", "210g or 7.4oz")
    value, unit = said.split()
    if unit.startswith("fl"):
        raise said.ambiguous("fluid ounces say how much room it takes, not what it weighs", "weigh it: 210g or 7.4oz")
    return said.above_zero(value * said.factor(unit, MASS_UNITS_G, "g"))


def parse_temperature_c(text: str, what: str = "temperature") -> float:
    """A temperature in °C. Its unit must be said, since makers write both 60 and 140 for the same warm glass.

    Raises UsageError for text that is no temperature, has no unit, or lies below absolute zero.
    """
    said = _Text(text, what, "temperature", "60C or 140F")
    value, unit = said.split()
    if unit == "":
        raise said.ambiguous("it may be Celsius or Fahrenheit", f"write {text.strip()}C or {text.strip()}F")
    celsius = _to_celsius(value, unit, said)
    if celsius < ABSOLUTE_ZERO_C:
        raise said.error("absurd", "is colder than anything can be")
    return celsius


def format_length(length_mm: float, unit: Literal["mm", "in"] = "mm") -> str:
    """A length for reading, to 0.1 mm or 0.01 in."""
    return f"{length_mm:.1f} mm" if unit == "mm" else f"{length_mm / MM_PER_INCH:.2f} in"


def _without_unicode_fractions(text: str) -> str:
    for sign, fraction in UNICODE_FRACTIONS.items():
        text = text.replace(sign, f" {fraction}")
    return text.strip()


def _to_celsius(value: float, unit: str, said: _Text) -> float:
    if unit in CELSIUS_SPELLINGS:
        return value
    if unit in FAHRENHEIT_SPELLINGS:
        return (value - 32) * 5 / 9
    if unit in ("k", "kelvin"):
        return value + ABSOLUTE_ZERO_C
    raise said.error("unit", f"has the unit {unit!r}, which is none of temperature")


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    """pint's own units; building them takes a second, so it waits until a text needs them."""
    import pint

    return pint.UnitRegistry()
