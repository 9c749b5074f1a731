"""Numbers as testers write them: fractions, inches, ranges, number words, hours and minutes, shares of the way.

Each becomes a `Measure` in the unit said, with the standard uncertainty of the tester's own rounding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pooleye.audit.tokens import VULGAR, Token

_UNITS = {"zero": 0, "one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8, "nine": 9,
          "ten": 10, "eleven": 11, "twelve": 12, "thirteen": 13, "fourteen": 14, "fifteen": 15, "sixteen": 16,
          "seventeen": 17, "eighteen": 18, "nineteen": 19}  # fmt: skip
_TENS = {"twenty": 20, "thirty": 30, "forty": 40, "fourty": 40, "fifty": 50, "sixty": 60, "seventy": 70, "eighty": 80,
         "ninety": 90}  # fmt: skip
_PARTS = {"half": 2, "halves": 2, "third": 3, "thirds": 3, "quarter": 4, "quarters": 4, "fourth": 4, "fourths": 4,
          "fifth": 5, "fifths": 5, "eighth": 8, "eighths": 8, "sixteenth": 16, "sixteenths": 16, "tenth": 10,
          "tenths": 10}  # fmt: skip
_UNIT_WORDS = {
    **dict.fromkeys(("mm", "mil", "mils", "mill", "mills", "millimetre", "millimetres"), "mm"),
    **dict.fromkeys(("millimeter", "millimeters"), "mm"),
    **dict.fromkeys(("cm", "cms", "centimetre", "centimetres", "centimeter", "centimeters"), "cm"),
    **dict.fromkeys(("in", "inch", "inches", "ins", '"', "''"), "in"),
    **dict.fromkeys(("min", "mins", "minute", "minutes", "minuets"), "min"),
    **dict.fromkeys(("h", "hr", "hrs", "hour", "hours", "hours'"), "h"),
    **dict.fromkeys(("s", "sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("f", "fahrenheit"), "F"),
    **dict.fromkeys(("c", "celsius", "centigrade"), "C"),
    **dict.fromkeys(("deg", "degs", "degree", "degrees", "°"), "deg"),
    **dict.fromkeys(("g", "gram", "grams", "oz", "ounce", "ounces", "kg", "gr", "grams/hour"), "g"),
    **dict.fromkeys(("%", "percent"), "%"),
    **dict.fromkeys(("hz", "ppm", "ml"), "other"),
}  # fmt: skip
LENGTHS = ("mm", "cm", "in")
_RANGE_WORDS = ("to", "-", "or", "and", "/", "maybe", "perhaps", "possibly")
_SHARE_TAIL = (
    "way", "melted", "across", "full", "liquid", "surface", "top", "distance", "molten", "melt", "pool", "covered",
    "rim", "round", "around", "circumference", "candle", "coverage", "wax", "jar", "glass", "perimeter", "wall",
    "edge", "there", "open", "burned", "burnt", "diameter", "width", "out", "cover", "mp",
)  # fmt: skip

NUMBER_VOCABULARY = frozenset(
    {*_UNITS, *_TENS, *_PARTS, *_UNIT_WORDS, *_SHARE_TAIL, "hundred", "couple", "point", "between", "halfway"}
)


@dataclass(frozen=True)
class Measure:
    """A number with its unit as said. `step` is the finest step the tester seems to have used, `half_range` half of
    the spread where two numbers were said; both in `unit`. `unit` is None where none was said."""

    value: float
    unit: str | None
    step: float
    half_range: float
    start: int
    end: int
    counted: bool = False
    spoken: bool = False

    def u(self, loose: bool) -> float:
        """Standard uncertainty of the rounding: step/sqrt(12), and half_range/sqrt(3) for a range (both rectangular,
        JCGM 100:2008 4.3.7 and F.2.2.1, from memory); `loose` ("about") doubles the step."""
        step = self.step * (2 if loose else 1)
        return math.hypot(step / math.sqrt(12), self.half_range / math.sqrt(3))


_SINGLE_UNITS = ("inch", "cm", "centimetre", "centimeter", "hour", "minute", "mm", "millimetre", "millimeter")


@dataclass(frozen=True)
class _Number:
    value: float
    step: float
    end: int
    share: bool = False


def _written_step(text: str) -> float:
    """People round to tens of minutes and fives of millimetres: 5 for a multiple of 5, else the last digit."""
    if "." in text:
        return float(10.0 ** -len(text.split(".")[1]))
    return 5.0 if float(text) % 5 == 0 and float(text) > 5 else 1.0


def _fraction(token: Token) -> tuple[int, int] | None:
    if token.kind == "vulgar":
        return VULGAR[token.text]
    if token.kind == "fraction":
        top, bottom = (int(part) for part in token.text.split("/"))
        return (top, bottom) if bottom in (2, 3, 4, 5, 8, 10, 16, 32) and 0 < top < bottom else None
    return None


def _at(tokens: Sequence[Token], i: int) -> str:
    return tokens[i].norm if 0 <= i < len(tokens) else ""


def _digits(tokens: Sequence[Token], i: int) -> _Number | None:
    token = tokens[i]
    if part := _fraction(token):
        return _Number(part[0] / part[1], 1 / part[1], i + 1, share=True)
    if token.kind != "number":
        return None
    text = token.text.replace(",", ".") if token.text.count(",") == 1 else token.text
    value, step, j = float(text), _written_step(text), i + 1
    k = j + 1 if _at(tokens, j) in ("-", "and") else j
    if k < len(tokens) and "." not in text and (part := _fraction(tokens[k])):
        return _Number(value + part[0] / part[1], 1 / part[1], k + 1)
    return _Number(value, step, j)


def _number_word(tokens: Sequence[Token], i: int) -> tuple[int, int] | None:
    """A cardinal in words at i, and where it ends."""
    word = _at(tokens, i)
    if word in _TENS:
        unit = _UNITS.get(_at(tokens, i + 1), 0)
        return (_TENS[word] + unit, i + 2) if 0 < unit < 10 else (_TENS[word], i + 1)
    if word in _UNITS:
        if _at(tokens, i + 1) == "hundred":
            rest = _number_word(tokens, i + 3 if _at(tokens, i + 2) == "and" else i + 2)
            return (_UNITS[word] * 100 + rest[0], rest[1]) if rest else (_UNITS[word] * 100, i + 2)
        return _UNITS[word], i + 1
    return None


def _part_words(tokens: Sequence[Token], i: int) -> _Number | None:
    """ "half", "a quarter", "two thirds", "three eighths": a share, or a fraction of a unit that follows."""
    count, j = 1, i
    if _at(tokens, i) in ("a", "an"):
        j = i + 1
    elif (said := _number_word(tokens, i)) and said[0] < 16:
        count, j = said
    elif tokens[i].kind == "number" and tokens[i].text.isdigit():
        count, j = int(tokens[i].text), i + 1
    word = _at(tokens, j)
    if word not in _PARTS or count >= _PARTS[word] or (word == "second"):
        return None
    if word in ("third", "fourth", "fifth", "tenth") and j == i:
        return None  # an ordinal: "third burn"
    return _Number(count / _PARTS[word], 1 / _PARTS[word], j + 1, share=True)


def _mixed_words(tokens: Sequence[Token], i: int) -> _Number | None:
    """ "two and a half", "fifty two", "one and three quarters"."""
    said = _number_word(tokens, i)
    if not said:
        return None
    value, j = said
    if _at(tokens, j) == "point" and (decimal := _number_word(tokens, j + 1)) and decimal[0] < 10:
        return _Number(value + decimal[0] / 10, 0.1, decimal[1])
    if (
        _at(tokens, j) == "and"
        and j + 1 < len(tokens)
        and (part := _part_words(tokens, j + 1) or _digits_part(tokens, j + 1))
    ):
        return _Number(value + part.value, part.step, part.end)
    return _Number(float(value), _written_step(str(value)), j)


def _digits_part(tokens: Sequence[Token], i: int) -> _Number | None:
    number = _digits(tokens, i)
    return number if number and number.share else None


def read_number(tokens: Sequence[Token], i: int) -> _Number | None:
    """The number that starts at token i, in digits or words, or None."""
    number = _part_words(tokens, i) or _digits(tokens, i) or _mixed_words(tokens, i)
    if number or _at(tokens, i) not in ("a", "an", "couple"):
        if number and _at(tokens, number.end) == "and" and not number.share and number.end + 1 < len(tokens):
            part = _part_words(tokens, number.end + 1)
            if part and _at(tokens, i) not in _PARTS and tokens[i].kind == "number":
                return _Number(number.value + part.value, part.step, part.end)
        return number
    return _article_unit(tokens, i)


def _bare_inch(tokens: Sequence[Token], i: int) -> Measure | None:
    """ "inch and a quarter" without its article."""
    if _at(tokens, i) not in ("inch", "hour") or _at(tokens, i + 1) != "and":
        return None
    part = _part_words(tokens, i + 2) if i + 2 < len(tokens) else None
    if part is None or _unit_at(tokens, part.end) is not None:
        return None
    if _at(tokens, i) == "hour":
        return Measure(60 * (1 + part.value), "min", 60 * part.step, 0.0, i, part.end)
    return Measure(1 + part.value, "in", part.step, 0.0, i, part.end)


def _article_unit(tokens: Sequence[Token], i: int) -> _Number | None:
    """ "an inch", "an hour", "a couple of mm": the article counts; the unit follows at `end`."""
    if _at(tokens, i + 1) == "couple" or _at(tokens, i) == "couple":
        j = i + (2 if _at(tokens, i + 1) == "couple" else 1)
        j += _at(tokens, j) == "of"
        return _Number(2.0, 2.0, j) if _at(tokens, j) in _UNIT_WORDS else None
    j = i + (2 if _at(tokens, i + 1) in ("good", "full", "bare", "whole", "solid", "clear") else 1)
    if _at(tokens, j) in _SINGLE_UNITS:
        return _Number(1.0, 0.5, j)
    return None


def _unit_at(tokens: Sequence[Token], i: int) -> tuple[str, int] | None:
    """Unit at i, skipping "of a(n)" ("a quarter of an inch"), and where it ends."""
    j = i + (_at(tokens, i) in ("ish", "odd", "or so"))
    if _at(tokens, j) == "of" and _at(tokens, j + 1) in ("an", "a"):
        j += 2
    elif _at(tokens, j) in ("a", "an") and _at(tokens, j + 1) in ("inch", "hour", "cm"):
        j += 1
    unit = _UNIT_WORDS.get(_at(tokens, j))
    if unit is None or (unit == "in" and _at(tokens, j) == "in" and not _in_is_inch(tokens, j)):
        return None
    if unit == "deg" and _at(tokens, j + 1) in ("f", "c", "fahrenheit", "celsius", "centigrade"):
        return _UNIT_WORDS[_at(tokens, j + 1)], j + 2
    return unit, j + 1


def _in_is_inch(tokens: Sequence[Token], j: int) -> bool:
    """ "2 in wide" is inches, "2 in the same pour" and "3 in total" are not."""
    return _at(tokens, j + 1) not in ("the", "a", "an", "total", "this", "one", "my", "each", "to")


def _is_share(tokens: Sequence[Token], number: _Number) -> bool:
    """Is a bare fraction a share of the way or of the surface ("two thirds of the way across")?"""
    window = [_at(tokens, k) for k in range(number.end, min(number.end + 5, len(tokens)))]
    if window[:1] and window[0] in _SHARE_TAIL:
        return True
    return window[:1] == ["of"] and any(word in _SHARE_TAIL for word in window)


def read_measure(tokens: Sequence[Token], i: int) -> Measure | None:
    """The measure that starts at token i: a number or range, with its unit where one is said."""
    if _at(tokens, i) in ("halfway", "midway") or (_at(tokens, i) == "half" and _at(tokens, i + 1) == "way"):
        return Measure(0.5, "1", 0.25, 0.0, i, i + (2 if _at(tokens, i) == "half" else 1))
    if bare := _bare_inch(tokens, i):
        return bare
    between = _at(tokens, i) == "between"
    first = read_number(tokens, i + between)
    if first is None:
        return None
    unit = _unit_at(tokens, first.end)
    if unit and unit[0] == "h":
        return _duration(tokens, i, first, unit[1])
    if (
        unit
        and unit[0] == "in"
        and _at(tokens, unit[1]) == "and"
        and (part := _part_words(tokens, unit[1] + 1) or _digits_part(tokens, unit[1] + 1))
        and _unit_at(tokens, part.end) is None
    ):
        first, unit = _Number(first.value + part.value, part.step, part.end), ("in", part.end)
    joined = unit[1] if unit else first.end
    second = _range_end(tokens, joined, between, first, unit[0] if unit else None)
    if second:
        return _span(tokens, i, first, second)
    return _finish(tokens, i, first, unit)


def _duration(tokens: Sequence[Token], i: int, hours: _Number, j: int) -> Measure:
    """ "3h10", "3 hrs 10 min", "an hour and a half", "2.5 h": minutes."""
    minutes, step, end = hours.value * 60, hours.step * 60 if hours.step < 1 else 30.0, j
    k = j + 1 if _at(tokens, j) == "and" else j
    if k > j and k < len(tokens) and (part := _part_words(tokens, k)) and _unit_at(tokens, part.end) is None:
        return Measure(minutes + part.value * 60, "min", part.step * 60, 0.0, i, part.end)
    extra = read_number(tokens, k) if k < len(tokens) else None
    if extra and not extra.share and extra.value < 60:
        unit = _unit_at(tokens, extra.end)
        glued = tokens[k].start == tokens[j - 1].end
        if (unit and unit[0] == "min") or (k == j and (glued or (unit is None and extra.value >= 5))):
            return Measure(minutes + extra.value, "min", extra.step, 0.0, i, unit[1] if unit else extra.end)
    return Measure(minutes, "min", step, 0.0, i, end)


def _range_end(
    tokens: Sequence[Token], j: int, between: bool, first: _Number, unit: str | None
) -> tuple[_Number, tuple[str, int] | None] | None:
    """The second number of "5-6 mm", "5 to 6", "5 or 6", "45 x 50", or None where the numbers are not one range."""
    joiner = _at(tokens, j)
    crossed = joiner in ("x", "by", "×")
    if not crossed and (joiner not in _RANGE_WORDS or (joiner == "and" and not between) or joiner == "/"):
        return None
    if j + 1 >= len(tokens):
        return None
    second = read_number(tokens, j + 1)
    if second is None or (joiner == "to" and _changes(tokens, first)):
        return None
    second_unit = _unit_at(tokens, second.end)
    if unit is not None and second_unit is not None and second_unit[0] != unit:
        return None
    if unit is not None and second_unit is None and not crossed:
        return None
    value = second.value
    if not second.share and value > 0 and not 0.3 <= first.value / value <= 3 and not between:
        return None
    if crossed and _at(tokens, (second_unit[1] if second_unit else second.end)) in ("deep", "depth", "thick"):
        return None  # "60 by 8 deep": two things measured
    return second, second_unit


_CHANGE = frozenset((
    "grew", "grown", "growing", "went", "gone", "rose", "risen", "increased", "shrank", "shrunk", "dropped", "fell",
    "fallen", "reduced", "came", "up", "down", "crept", "climbed", "moved", "widened", "deepened", "changed",
    "going", "decreased", "spread",
))  # fmt: skip


def _changes(tokens: Sequence[Token], first: _Number) -> bool:
    """ "grew from 15 to 25 mm" is a change over time: two numbers, no range."""
    start = first.end - 1
    before = [_at(tokens, k) for k in range(max(0, start - 5), start)]
    return "from" in before and bool(_CHANGE & set(before))


def _span(tokens: Sequence[Token], i: int, first: _Number, found: tuple[_Number, tuple[str, int] | None]) -> Measure:
    second, unit = found
    middle = replace(
        second, value=(first.value + second.value) / 2, step=min(first.step, second.step), share=second.share
    )
    measure = _finish(tokens, i, middle, unit)
    return replace(
        measure,
        half_range=abs(second.value - first.value)
        / 2
        * (0.01 if measure.unit == "1" and unit and unit[0] == "%" else 1.0),
    )


def _finish(tokens: Sequence[Token], i: int, number: _Number, unit: tuple[str, int] | None) -> Measure:
    if unit is None:
        name = "1" if number.share and _is_share(tokens, number) else None
        spoken = all(token.is_word for token in tokens[i : number.end])
        return Measure(number.value, name, number.step, 0.0, i, number.end, spoken=spoken)
    name, end = unit
    if name == "%":
        return Measure(number.value / 100, "1", number.step / 100, 0.0, i, end)
    if name == "h":
        return Measure(number.value * 60, "min", number.step * 60 if number.step < 1 else 30.0, 0.0, i, end)
    step = 0.5 if name == "in" and number.step >= 1 else number.step
    return Measure(number.value, name, step, 0.0, i, end)
