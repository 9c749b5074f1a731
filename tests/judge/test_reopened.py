"""What a change of ingredient reopens. The rules are common practice without a source; the table is the decision."""

from __future__ import annotations

import pytest

from pooleye.judge.reopened import Conclusion, Recipe, reopened

HELD = Recipe("straight jar", "soy", "winter tea", 8.0, "none", {"wax": "B-1", "wick": "W-7"})


def word(planned):
    return reopened([Conclusion("which wick", "keep wick 3", HELD)], planned)[0].word


@pytest.mark.parametrize(
    ("planned", "expected"),
    [
        (Recipe(), "stands"),
        (HELD, "stands"),
        (Recipe(fragrance="summer hay"), "test anew"),
        (Recipe(vessel="tall jar"), "test anew"),
        (Recipe(wax="coconut"), "test anew"),
        (Recipe(load_percent=8.1), "stands"),
        (Recipe(load_percent=9.0), "confirm with one arm"),
        (Recipe(load_percent=10.0), "test anew"),
        (Recipe(dye="red"), "confirm with one arm"),
        (Recipe(lots={"wax": "B-2"}), "confirm with one arm"),
        (Recipe(lots={"wax": "B-1"}), "stands"),
        (Recipe(lots={"wax": "B-2"}, fragrance="summer hay"), "test anew"),
    ],
)
def test_what_a_change_does_to_a_conclusion(planned, expected):
    assert word(planned) == expected


def test_the_most_shaken_comes_first_and_says_why():
    other = Conclusion("which load", "keep 8 %", Recipe("straight jar", "soy", "summer hay", None))
    found = reopened([other, Conclusion("which wick", "keep wick 3", HELD)], Recipe(fragrance="summer hay"))
    assert [one.trial for one in found] == ["which wick", "which load"]
    assert "winter tea becomes summer hay" in found[0].said()
    assert "no source" in found[0].said()
