"""The code shown on the computer, and what guessing at it gets."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest

from pooleye.phone import pairing
from pooleye.phone.pairing import Pairing


class Clock:
    now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


def wrong(code: str) -> str:
    """Another code of the same length."""
    return "".join(str((int(digit) + 1) % 10) for digit in code)


def test_the_right_code_pairs_once_and_is_then_used_up(tmp_path: Path, clock: Clock) -> None:
    shown: list[str] = []
    door = Pairing(tmp_path / "phones.json", shown.append, clock)
    code = shown[-1]
    first = door.try_code(f"{code[:4]} {code[4:]}", "Ada")
    device = door.device(first.token)
    assert device is not None
    assert device.who == "Ada"
    assert len(shown) == 2
    assert door.try_code(code).token is None


def test_five_wrong_codes_close_the_door_with_a_pause_that_doubles_and_change_the_code(clock: Clock) -> None:
    shown: list[str] = []
    door = Pairing(None, shown.append, clock)
    pauses = []
    for _ in range(6):
        tries = [door.try_code(wrong(door.code)) for _ in range(pairing.TRIES)]
        assert [one.tries_left for one in tries] == [4, 3, 2, 1, 0]
        assert door.try_code(door.code).token is None  # closed: not even the right code
        pauses.append(tries[-1].wait_s)
        clock.now += tries[-1].wait_s
    assert pauses == [60, 120, 240, 480, 900, 900]
    assert len(set(shown)) == 7
    assert door.try_code(door.code).token


def test_a_year_of_guessing_finds_a_code_with_less_than_one_in_five_hundred(clock: Clock) -> None:
    tries_a_year = 365 * 86400 / pairing.LONGEST_PAUSE_S * pairing.TRIES
    assert tries_a_year / 10**pairing.CODE_DIGITS < 1 / 500


def test_pairings_outlive_a_restart_and_the_file_holds_no_token(tmp_path: Path, clock: Clock) -> None:
    file = tmp_path / "phones.json"
    door = Pairing(file, clock=clock)
    token = door.try_code(door.code).token
    assert token is not None
    assert token not in file.read_text()
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert Pairing(file, clock=clock).device(token) is not None
    clock.now += pairing.COOKIE_DAYS * 86400 + 1
    assert Pairing(file, clock=clock).device(token) is None


def test_forgetting_unpairs_every_phone(tmp_path: Path, clock: Clock) -> None:
    door = Pairing(tmp_path / "phones.json", clock=clock)
    tokens = [door.try_code(door.code).token for _ in range(3)]
    assert door.forget_all() == 3
    assert [door.device(one) for one in tokens] == [None] * 3
    assert json.loads((tmp_path / "phones.json").read_text()) == []


@pytest.mark.parametrize("spoilt", ["", "{", "[1]", '[{"key": 1}]', "null", '{"a": 1}', "\x00"])
def test_a_spoilt_file_unpairs_and_does_not_stop_the_page(tmp_path: Path, spoilt: str) -> None:
    (tmp_path / "phones.json").write_text(spoilt)
    door = Pairing(tmp_path / "phones.json")
    assert door.device("anything") is None
    assert door.try_code(door.code).token
