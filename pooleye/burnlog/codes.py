"""Candle codes: short enough to write on a jar, made so that they cannot be misread.

A code is three characters and one check character, for instance ``K7CX``. The alphabet has 17 characters. Left out are
all that a tired eye, a smudged label or a phone takes for another one: 0/O/Q/D, 1/I/L, 2/Z, 5/S, 6/G, 8/B, U/V/W, N/M.
Seventeen is a prime, so the weighted sum below catches every single wrong character and every swap of two characters.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pooleye.errors import PooleyeError

ALPHABET = "ACEFHJKMPRTXY3479"
_PRIME = len(ALPHABET)
_DATA_CHARACTERS = 3
# Any step that shares no factor with 17 visits every code once; this one makes neighbours look unlike each other.
_STEP = 2029


def check_sum(values: Sequence[int], prime: int) -> int:
    """Weighted sum modulo a prime, weights 1, 2, 3, … from the right; a sound word sums to 0.

    The principle is that of ISBN-10 (ISO 2108, prime 11): distinct weights that are not 0 modulo a prime catch every
    single error and every transposition, while the word is shorter than the prime.
    """
    return sum(weight * value for weight, value in enumerate(reversed(values), start=1)) % prime


def check_character(data: str) -> str:
    """The character that makes ``data`` plus itself sum to zero."""
    values = [ALPHABET.index(character) for character in data]
    return ALPHABET[-check_sum([*values, 0], _PRIME) % _PRIME]


def code_for(number: int) -> str:
    """The code that belongs to a number from 0 up; longer codes begin when the short ones are used up."""
    length, first = _DATA_CHARACTERS, 0
    while number >= first + _PRIME**length:
        first += _PRIME**length
        length += 1
    left = ((number - first) * _STEP) % _PRIME**length
    characters = []
    for _ in range(length):
        left, digit = divmod(left, _PRIME)
        characters.append(ALPHABET[digit])
    data = "".join(reversed(characters))
    return data + check_character(data)


def is_code(text: str) -> bool:
    """Whether ``text`` (already in capitals) is a well-formed code with the right check character."""
    if len(text) < _DATA_CHARACTERS + 1 or any(character not in ALPHABET for character in text):
        return False
    return check_character(text[:-1]) == text[-1]


def _one_slip_away(written: str, known: str) -> bool:
    if len(written) != len(known):
        return False
    wrong = [i for i, (a, b) in enumerate(zip(written, known, strict=True)) if a != b]
    swapped = len(wrong) == 2 and written[wrong[0]] == known[wrong[1]] and written[wrong[1]] == known[wrong[0]]
    return len(wrong) == 1 or swapped


def near(written: str, known: Iterable[str]) -> list[str]:
    """The known codes that one wrong character or one swap turns into ``written``."""
    return [code for code in known if _one_slip_away(written, code)]


def read_code(text: str, known: Iterable[str] = ()) -> str:
    """``text`` as typed -> the code in capitals.

    Raises PooleyeError when it is no code, naming the characters that no code has and the known codes one slip away.
    """
    written = "".join(text.split()).replace("-", "").upper()
    if is_code(written):
        return written
    foreign = sorted({character for character in written if character not in ALPHABET})
    why = f"codes never have {', '.join(foreign)}" if foreign else "its last character does not fit the others"
    alike = near(written, known)
    hint = f"did you mean {' or '.join(alike)}?" if alike else "read the label again, or see `pooleye status`"
    raise PooleyeError("not-a-candle-code", f"“{text}” is no candle code: {why}", hint=hint)
