"""Numbers as testers write them."""

import pytest

from pooleye.audit.numbers import read_measure
from pooleye.audit.tokens import tokenise


def measure(text):
    return read_measure(tokenise(text, lambda word: word), 0)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("52mm", 52, "mm"),
        ('2 1/4"', 2.25, "in"),
        ("2-1/4 in", 2.25, "in"),
        ("2¼ inches", 2.25, "in"),
        ("two and a quarter inches", 2.25, "in"),
        ("an inch and a half", 1.5, "in"),
        ("half an inch", 0.5, "in"),
        ("three eighths of an inch", 0.375, "in"),
        ("fifty two mm", 52, "mm"),
        ("one hundred and forty F", 140, "F"),
        ("60 deg C", 60, "C"),
        ("3h10", 190, "min"),
        ("3 hrs 10 min", 190, "min"),
        ("2hr 45", 165, "min"),
        ("an hour and a half", 90, "min"),
        ("two and a half hours", 150, "min"),
        ("190 minutes", 190, "min"),
        ("two thirds of the way", 2 / 3, "1"),
        ("80%", 0.8, "1"),
        ("halfway", 0.5, "1"),
        ("5-6 mm", 5.5, "mm"),
        ("between 5 and 6 mm", 5.5, "mm"),
        ("5 or 6 mm", 5.5, "mm"),
        ("60 x 56 mm", 58, "mm"),
        ("60", 60, None),
    ],
)
def test_value_and_unit(text, value, unit):
    found = measure(text)
    assert (found.value, found.unit) == (pytest.approx(value), unit)


@pytest.mark.parametrize(
    ("text", "step"), [("52 mm", 1), ("50 mm", 5), ("52.5 mm", 0.1), ("2 1/4 in", 0.25), ("2 in", 0.5)]
)
def test_step_follows_how_finely_people_read(text, step):
    assert measure(text).step == pytest.approx(step)


@pytest.mark.parametrize(
    "text", ["9" * 60_000, f"{'9' * 400} mm", f"1/{'0' * 20}", f"0.{'0' * 400}1 mm", f"{'9' * 30}st"]
)
def test_what_is_far_too_long_is_no_number(text):
    assert measure(text) is None


def test_two_things_measured_are_no_range():
    assert measure("60 by 8 deep").value == 60
