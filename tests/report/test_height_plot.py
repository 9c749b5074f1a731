"""The plot of a flame's height over a clip."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.report.height_plot import LINE, height_plot
from pooleye.side.moving import HeightSeries


def line_rows(picture: np.ndarray) -> np.ndarray:
    """Mean row of the line in each column that has it."""
    on = (np.abs(picture.astype(int) - LINE).sum(axis=2) < 60).astype(float)
    columns = on.sum(axis=0) > 0
    return (on * np.arange(len(on))[:, None]).sum(axis=0)[columns] / on.sum(axis=0)[columns]


@pytest.mark.parametrize("timed", [True, False])
def test_line_rises_and_falls_with_the_flame(timed: bool):
    times = np.linspace(0, 5, 150)
    heights = 30 + 3 * np.sin(2 * np.pi * 0.2 * times)
    rows = line_rows(height_plot(HeightSeries(times if timed else None, heights), 800))
    at = np.array([0.25, 0.5, 0.75]) * (len(rows) - 1)
    high, middle, low = rows[at.round().astype(int)]
    assert high < middle < low
    assert middle - high == pytest.approx(low - middle, rel=0.1)


def test_a_calm_flame_looks_calm():
    rows = line_rows(height_plot(HeightSeries(np.arange(50) / 30, 30 + 0.05 * np.sin(np.arange(50))), 800))
    assert np.ptp(rows) < 0.1 * 800 * 0.36
