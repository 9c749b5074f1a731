"""How the page says things: the maker's units; commands and options in words of the page."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pooleye.measurement import Quantity
from pooleye.phone.words import for_phone, in_units, number, told


@pytest.mark.parametrize(
    ("name", "quantity", "shown"),
    [
        ("pool_diameter", Quantity(58.42, 0.762, "mm"), "2.300 ± 0.030 in"),  # 25.4 mm an inch
        ("pool_area", Quantity(645.16, 6.4516, "mm2"), "1.000 ± 0.010 in²"),
        ("pool_coverage", Quantity(0.5, 0.01, "1"), "50.0 ± 1.0 %"),
        ("tilt", Quantity(5.0, 1.0, "deg"), "5.0 ± 1.0°"),
    ],
)
def test_numbers_come_in_inches_where_the_maker_works_in_inches(name: str, quantity: Quantity, shown: str) -> None:
    assert number(name, quantity, "in") == shown


def test_a_temperature_moves_its_zero_and_its_uncertainty_does_not() -> None:
    fahrenheit = in_units(Quantity(100.0, 5.0, "C"), "in")
    assert (fahrenheit.value, fahrenheit.u, fahrenheit.unit) == (212.0, 9.0, "°F")


@pytest.mark.parametrize(
    ("said", "here"),
    [
        ("snuff it first: pooleye snuff MAKX", "snuff it first: “Snuff” here"),
        ("see what is there: pooleye status", "see what is there: “Bench” here"),
        ("free it: pooleye release MAKX", "free it: pooleye release MAKX on the computer"),
        ("weigh again; to keep it: --anyway REASON", "weigh again; to keep it: say why under “Do it anyway because”"),
        ("pooleye is an aid for testing.", "pooleye is an aid for testing."),
    ],
)
def test_a_sentence_for_the_command_line_is_said_for_the_page(said: str, here: str) -> None:
    assert for_phone(said) == here


def test_stops_are_apart_from_the_rest() -> None:
    answer = told(["STOP: MAKX: the vessel cracked.", "MAKX: kept", "caution: mind"])
    assert answer.stops == ("MAKX: the vessel cracked.",)
    assert answer.lines == ("MAKX: kept", "caution: mind")


def test_a_bench_in_inches_shows_inches_and_takes_them(tmp_path: Path, serve: Any) -> None:
    with serve(tmp_path, units="in") as bench, bench.client() as phone:
        page = phone.get(f"/candle/{bench.codes[0]}").text
        for unit in ("<option selected>in</option>", "<option selected>oz</option>", 'value="F" selected'):
            assert unit in page
