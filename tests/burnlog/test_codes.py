"""Candle codes."""

from __future__ import annotations

import itertools

import pytest

from pooleye.burnlog.codes import ALPHABET, check_character, check_sum, code_for, is_code, near, read_code
from pooleye.errors import PooleyeError


def test_no_character_of_a_code_looks_like_another() -> None:
    # Groups of characters that are taken for each other; common practice, no source.
    for alike in ("0OQD", "1ILJ"[:3], "2Z", "5S", "6G", "8B", "UV", "VW", "MN", "O0C"[:2]):
        assert sum(character in ALPHABET for character in alike) <= 1
    assert len(ALPHABET) == len(set(ALPHABET)) == 17


def test_weighted_sum_accepts_a_published_isbn_and_refuses_it_with_one_digit_wrong() -> None:
    # ISBN-10 0-306-40615-2 is the worked example of check digits in many texts on ISO 2108; from memory.
    digits = [int(digit) for digit in "0306406152"]
    assert check_sum(digits, 11) == 0
    assert check_sum([*digits[:-1], 3], 11) != 0


def test_the_first_five_thousand_codes_differ_and_are_sound() -> None:
    codes = [code_for(number) for number in range(5000)]
    assert len(set(codes)) == 5000
    assert all(is_code(code) for code in codes)
    assert {len(code) for code in codes[:4913]} == {4}
    assert {len(code) for code in codes[4913:]} == {5}


def test_every_single_wrong_character_and_every_swap_is_caught() -> None:
    for number in range(0, 4913, 97):
        code = code_for(number)
        for place, other in itertools.product(range(4), ALPHABET):
            wrong = code[:place] + other + code[place + 1 :]
            assert is_code(wrong) == (wrong == code)
        for a, b in itertools.combinations(range(4), 2):
            letters = list(code)
            letters[a], letters[b] = letters[b], letters[a]
            assert is_code("".join(letters)) == ("".join(letters) == code)


def test_neighbouring_candles_do_not_have_neighbouring_codes() -> None:
    pairs = itertools.pairwise(code_for(number) for number in range(1, 400))
    assert all(sum(a != b for a, b in zip(one, other, strict=True)) >= 3 for one, other in pairs)


@pytest.mark.parametrize("typed", ["{}", " {} ", "{lower}", "{a}-{b}", "{a} {b}"])
def test_a_code_is_read_however_it_is_typed(typed: str) -> None:
    code = code_for(7)
    assert read_code(typed.format(code, lower=code.lower(), a=code[:2], b=code[2:])) == code


def test_a_slip_is_answered_with_the_candle_that_was_probably_meant() -> None:
    known = [code_for(number) for number in range(1, 10)]
    code = known[3]
    wrong = code[:-1] + next(one for one in ALPHABET if one != code[-1])
    with pytest.raises(PooleyeError) as refused:
        read_code(wrong, known)
    assert refused.value.reference == "not-a-candle-code"
    assert code in refused.value.hint
    assert near(wrong, known) == [code]


def test_characters_that_no_code_has_are_named() -> None:
    with pytest.raises(PooleyeError, match="codes never have 0, O"):
        read_code("K0OX")


def test_check_character_of_a_known_word() -> None:
    # Worked by hand: A=0, C=1, E=2: 4·0 + 3·1 + 2·2 = 7, so the check is −7 mod 17 = 10, the eleventh character, T.
    assert check_character("ACE") == ALPHABET[10] == "T"
