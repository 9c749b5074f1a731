"""Which of several level lines behind the glass is the wax's, and which the solid's below a liquid."""

from __future__ import annotations

import pytest
from drawn import Drawing

from pooleye.side.measure import _u_line_at_pool_mm
from pooleye.side.wax import LevelLine, WaxLines, _solid_below, _surface_of

RADIUS_MM = 37.0


def line(height_mm: float, vote: float, scatter_mm: float = 0.1) -> LevelLine:
    return LevelLine(height_mm, vote, scatter_mm, height_mm + 0.5)


@pytest.mark.parametrize(
    ("below", "expected"),
    [
        ([line(76.4, 0.31), line(74.2, 0.72)], 74.2),  # a streak in the liquid above the solid's edge
        ([line(76.4, 0.55), line(61.8, 0.77)], 76.4),  # the base's reflection below it
        ([line(70.0, 0.28)], 70.0),
        ([line(70.0, 0.9, scatter_mm=1.2)], None),  # curved: not at the near wall
        ([], None),
    ],
)
def test_the_solids_line_is_the_highest_of_the_clear_ones(below, expected):
    surface = line(80.0, 0.8)
    found = _solid_below([surface, *below], surface, pool_mm=80.0)
    assert (None if found is None else found.height_mm) == (
        None if expected is None else pytest.approx(expected, abs=2)
    )


@pytest.mark.parametrize(("seen_mm", "expected"), [(60.0, 58.5), (50.0, 45.0), (None, 45.0)])
def test_a_ring_of_wax_well_above_the_pool_is_the_wax_line_where_the_network_sees_wax_end(seen_mm, expected):
    lines = [line(58.5, 0.6), line(45.0, 0.7)]
    found = _surface_of(lines, Drawing().pose(), RADIUS_MM, 44.0, None, seen_mm)
    assert found is not None
    assert found.height_mm == expected


@pytest.mark.parametrize(("doubt_mm", "least"), [(0.0, 0.0), (12.0, 6.0), (16.0, 8.0)])
def test_wax_that_the_network_sees_end_elsewhere_is_in_the_uncertainty(doubt_mm, least):
    at_pool = WaxLines(line(45.0, 0.7), None, 0.0, doubt_mm)
    assert _u_line_at_pool_mm(at_pool, 44.8) == pytest.approx(least)
