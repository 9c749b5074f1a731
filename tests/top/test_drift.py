"""A wick at the wall, and one that has moved between two photos of a turned vessel."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.top.drift import adrift, least_moved_mm, least_to_wall_mm
from pooleye.top.turn import Turn


def turned(feet, deg):
    """Clockwise as seen; x to the right, y up."""
    t = np.radians(-deg)
    return [np.array([np.cos(t) * x - np.sin(t) * y, np.sin(t) * x + np.cos(t) * y]) for x, y in feet]


FEET = [(6.0, 0.0), (-5.0, 9.0), (0.0, -11.0)]


@pytest.mark.parametrize(
    ("to_wall", "moved", "said"),
    [
        ((30.0, 1.0), None, ()),
        ((7.0, 1.0), None, ("wick-adrift",)),
        ((9.0, 1.0), None, ("wick-perhaps-adrift",)),  # silence would pass for safety
        ((11.5, 1.0), (0.5, 1.5), ("wick-perhaps-adrift",)),
        ((30.0, 1.0), (9.0, 1.5), ("wick-adrift",)),
        ((30.0, 1.0), (6.0, 1.5), ("wick-perhaps-adrift",)),
        ((30.0, 1.0), (1.0, 2.5), ()),  # no sign of a move
        ((9.0, 1.0), (9.0, 1.5), ("wick-adrift",)),
    ],
)
def test_beyond_a_limit_by_more_than_2u_is_a_stop_and_within_2u_of_it_a_caution(to_wall, moved, said):
    assert adrift(to_wall, moved) == said


def test_the_wick_nearest_the_wall_counts():
    assert least_to_wall_mm([np.array(foot) for foot in FEET], 38.0) == pytest.approx(27.0)


@pytest.mark.parametrize("deg", [0.0, 35.0, 190.0])
@pytest.mark.parametrize("known", [True, False])
def test_a_turn_alone_moves_nothing(deg, known):
    turn = Turn(deg, 2.5) if known else None
    for feet in (FEET[:1], FEET):
        before = [np.array(foot) for foot in feet]
        assert least_moved_mm(turned(feet, deg), before, turn) == pytest.approx(0.0, abs=1e-9)


def test_a_wick_that_slid_round_the_axis_shows_only_where_the_turn_is_known():
    now, before = [np.array([0.0, 8.0])], [np.array([8.0, 0.0])]
    assert least_moved_mm(now, before, None) == pytest.approx(0.0)
    assert least_moved_mm(now, before, Turn(0.0, 2.5)) == pytest.approx(8 * np.sqrt(2))


def test_without_the_turn_a_wick_that_went_outward_or_apart_from_the_others_shows():
    assert least_moved_mm([np.array([12.0, 0.0])], [np.array([0.0, 3.0])], None) == pytest.approx(9.0)
    before = [np.array([-10.0, 0.0]), np.array([10.0, 0.0])]
    now = [np.array([-10.0, 0.0]), np.array([0.0, 10.0])]  # as far from the axis as before
    moved = least_moved_mm(now, before, None)
    assert moved is not None
    assert 2.0 < moved <= np.hypot(10, 10)


def test_another_number_of_wicks_says_nothing():
    assert least_moved_mm([np.zeros(2)], [np.zeros(2), np.ones(2)], None) is None
    assert least_moved_mm([], [], None) is None
