"""How the page says things: the maker's units, minutes, sentences meant for a command line."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from pooleye.burnlog.results import Advice
from pooleye.measurement import QUANTITIES, Quantity, shown
from pooleye.units import G_PER_OUNCE, MM_PER_INCH

#: The numbers under a photo, the ones a maker looks for first.
FIRST = (
    "pool_diameter", "pool_coverage", "hangup_mean", "hangup_max", "wick_offset", "carbon_ball_diameter",
    "soot_delta_L", "soot_arc", "flame_height", "flame_height_visible", "smoke_strength", "wax_level", "pool_depth",
    "headspace",
)  # fmt: skip
#: Unit of the log -> (the other unit, its size, offset) for makers who work in inches.
_INCHES = {
    "mm": ("in", 1 / MM_PER_INCH, 0.0), "mm2": ("in²", 1 / MM_PER_INCH**2, 0.0), "g": ("oz", 1 / G_PER_OUNCE, 0.0),
    "g/h": ("oz/h", 1 / G_PER_OUNCE, 0.0), "C": ("°F", 9 / 5, 32.0),
}  # fmt: skip


def in_units(quantity: Quantity, units: str) -> Quantity:
    """The same quantity in the maker's units ("mm" or "in")."""
    if units != "in" or quantity.unit not in _INCHES:
        return quantity
    unit, factor, offset = _INCHES[quantity.unit]
    return Quantity(quantity.value * factor + offset, quantity.u * factor, unit)


def number(name: str, quantity: Quantity, units: str) -> str:
    """``58.3 ± 0.7 mm`` in the maker's units."""
    return shown(name, in_units(quantity, units))


@dataclass(frozen=True)
class Row:
    """One line of the table under a photo; ``hand``: the value by hand, where there is one."""

    name: str
    words: str
    tool: str
    hand: str


def rows(tool: Mapping[str, Quantity], hand: Mapping[str, Quantity], units: str) -> tuple[list[Row], list[Row]]:
    """(the numbers looked for first, the others)."""
    names = [name for name in QUANTITIES if name in tool or name in hand]
    table = {
        name: Row(
            name,
            QUANTITIES[name][1],
            number(name, tool[name], units) if name in tool else "",
            number(name, hand[name], units) if name in hand else "",
        )
        for name in names
    }
    first = [table[name] for name in FIRST if name in table]
    return first, [row for name, row in table.items() if name not in FIRST]


#: Commands that have a form here -> its heading.
_FORMS = {
    "light": "Light", "snuff": "Snuff", "trim": "Trim", "weigh": "Weigh", "note": "Note", "heat": "Temperature",
    "throw": "Scent throw", "headspace": "Headspace", "incident": "Something went wrong", "refile": "Wrong candle?",
    "status": "Bench", "correct": "Put a time right",
}  # fmt: skip
_OPTIONS = (
    ("with --anyway REASON", "and say why under “Do it anyway because”"),
    ("--anyway REASON", "say why under “Do it anyway because”"),
    (" (else give --at)", ""),
    ("give it with --headspace", "enter it under “Headspace”"),
    (" and give it with --baseline", " here"),
    ("say --spacing", "say how far"),
    ("--candle CODE", "take the photo from its own page"),
    (": --at", ""),
)
_COMMAND = re.compile(r"\bpooleye (?!is\b|measures\b)([a-z]+)( [A-Z0-9]{4,}| --?[a-z]+| [a-z-]+(?=$))*")


def for_phone(text: str) -> str:
    """A sentence that names a command or an option, for a reader without a command line."""
    for option, here in _OPTIONS:
        text = text.replace(option, here)
    return _COMMAND.sub(lambda m: f"“{_FORMS[m[1]]}” here" if m[1] in _FORMS else f"{m[0]} on the computer", text)


@dataclass(frozen=True)
class Told:
    """Lines of an answer: stops first and apart."""

    stops: tuple[str, ...]
    lines: tuple[str, ...]


def told(said: Iterable[str]) -> Told:
    """What a service said, in two parts."""
    lines = [for_phone(one.strip()) for one in said]
    stops = tuple(one.removeprefix("STOP: ") for one in lines if one.startswith("STOP: "))
    return Told(stops, tuple(one for one in lines if not one.startswith("STOP: ")))


def stops_of(advice: Iterable[Advice]) -> tuple[str, ...]:
    """The stops in plain words."""
    return tuple(dict.fromkeys(for_phone(one.text) for one in advice if one.severity == "stop"))


def others_of(advice: Iterable[Advice]) -> tuple[Advice, ...]:
    """Cautions and the rest."""
    return tuple(one for one in advice if one.severity != "stop")
