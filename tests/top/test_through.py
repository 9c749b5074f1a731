"""The table seen through clear glass told from soot, on walls made of light added up by hand."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pooleye.top.soot import find_soot
from pooleye.top.through import seen_through
from pooleye.top.wallband import COLUMNS, ROW_MM, ROWS, Band

Array = NDArray[np.float64]

DEPTH_MM = (np.arange(ROWS) + 0.5) * ROW_MM
WAX, OAK = np.array([0.75, 0.68, 0.52]), np.array([0.22, 0.13, 0.06])
THINNER = np.clip(1 - DEPTH_MM / 14.0, 0, 1)  # from 1 at the rim to none at 14 mm


def band_of(light: Array, beside: Array = OAK) -> Band:
    """A wall that is the same all round, `light` (ROWS, 3)."""
    linear = np.repeat(light[:, None], COLUMNS, axis=1)
    every = np.ones(COLUMNS)
    nothing = np.full(3, 0.5)
    rings = np.stack([np.outer(every, ring) for ring in (WAX, nothing, beside)])
    seen = np.ones((ROWS, COLUMNS), bool)
    return Band(linear, seen, DEPTH_MM, nothing, nothing, rings, 50 * every, 5 * every, True)


def glass(most: float) -> Array:
    """Light (ROWS, 3) of clear glass that shows the wax, and the table more and more towards the rim."""
    table = most * THINNER[:, None]
    return (1 - table) * WAX + table * OAK


def sooty(most: float) -> Array:
    return (1 - most * THINNER)[:, None]


def test_a_fade_in_the_colour_of_the_table_is_the_table() -> None:
    assert seen_through(band_of(glass(0.6))) > 0.6


def test_a_fade_that_keeps_its_colour_is_soot_whatever_the_table() -> None:
    assert seen_through(band_of(sooty(0.6) * WAX)) == pytest.approx(0.0, abs=0.02)
    assert seen_through(band_of(sooty(0.6) * WAX, beside=np.array([0.05, 0.06, 0.2]))) == pytest.approx(0.0, abs=0.02)


def test_soot_on_glass_that_shows_the_table_is_told_in_part() -> None:
    both = seen_through(band_of(sooty(0.5) * glass(0.3)))
    assert 0.1 < both < seen_through(band_of(glass(0.5)))


def test_a_table_of_the_wax_s_own_colour_or_outside_of_the_picture_explains_nothing() -> None:
    grey = (1 - 0.6 * THINNER[:, None]) * WAX + 0.6 * THINNER[:, None] * 0.2 * WAX
    assert seen_through(band_of(grey, beside=0.2 * WAX)) == pytest.approx(0.0, abs=0.02)
    assert seen_through(band_of(glass(0.6), beside=np.full(3, np.nan))) == 0.0


def test_clear_glass_that_shows_the_table_is_no_soot_and_the_doubt_is_told() -> None:
    alone, beside = find_soot(band_of(glass(0.5), beside=WAX)), find_soot(band_of(glass(0.5)))
    assert alone is not None
    assert beside is not None
    assert alone.mean < -3 < beside.mean
    assert beside.u_mean > 0.2 * abs(alone.mean)
