"""The drop laid on a flame's edges: known drops come back, and the least squares agree with SciPy's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from pooleye.side.flame import Body, Mapped
from pooleye.side.flame_sizes import Foot
from pooleye.side.shape import _Edges, _least, drop_profile, fitted_drop

NOWHERE_MM = (1e6, 1e6)


def body_of(
    tip_mm: float = 100.0, foot_mm: float = 70.0, width_mm: float = 7.0, slope: float = 0.1, seed: int = 0
) -> Body:
    heights = np.arange(tip_mm - 0.3, foot_mm + 6.0, -0.25)
    half = width_mm / 2 * drop_profile((tip_mm - heights) / (tip_mm - foot_mm), 0.74)
    noise = np.random.default_rng(seed).normal(0.0, 0.05, (2, len(heights)))
    middle = 1.5 + slope * (heights - tip_mm)
    return Body(
        heights, middle - half + noise[0], middle + half + noise[1], "seen", "seen", None, 255.0, 0.3, 0.2, 40.0
    )


@pytest.mark.parametrize(("width_mm", "slope"), [(7.0, 0.1), (4.5, -0.2), (10.0, 0.0)])
def test_a_known_drop_comes_back(width_mm: float, slope: float):
    drop = fitted_drop(body_of(width_mm=width_mm, slope=slope), 70.0, NOWHERE_MM)
    assert drop.width_mm == pytest.approx(width_mm, abs=0.35)
    assert drop.slope == pytest.approx(slope, abs=0.02)
    assert drop.tip_mm == pytest.approx(100.0, abs=0.4)


@pytest.mark.parametrize("seed", range(4))
def test_least_squares_agree_with_scipy(seed: int):
    body = body_of(seed=seed)
    edges = _Edges(body, body.heights, body.lefts, body.rights, np.ones(2 * len(body.heights), bool), 70.0, 0.74)
    low, high = np.array([70.5, -np.inf, -1.0, 0.3, 0.0]), np.array([108.0, np.inf, 1.0, 40.0, 3.0])

    def residuals(p: np.ndarray) -> np.ndarray:
        misfit, _ = edges.misfit(p)
        return np.concatenate([np.sign(misfit) * np.sqrt(2 * (np.sqrt(1 + misfit**2) - 1)), edges.priors(p)[0]])

    found, cost, _ = _least(edges, edges.start().clip(low, high), low, high)
    scipys = least_squares(
        residuals, edges.start().clip(low + 1e-9, high), bounds=(low, high), x_scale=[1, 1, 0.1, 1, 0.3]
    )
    assert cost <= scipys.cost * (1 + 1e-4)
    assert found == pytest.approx(scipys.x, abs=5e-3)


def test_slopes_are_those_of_differences():
    body = body_of()
    edges = _Edges(body, body.heights, body.lefts, body.rights, np.ones(2 * len(body.heights), bool), 70.0, 0.74)
    p, step = np.array([99.8, 1.4, 0.08, 6.5, 0.2]), 1e-5
    for pick in (edges.misfit, edges.priors):
        slopes = pick(p)[1]
        for k in range(5):
            moved = np.eye(5)[k] * step
            differences = (pick(p + moved)[0] - pick(p - moved)[0]) / (2 * step)
            assert slopes[:, k] == pytest.approx(differences, abs=1e-4)


def test_edges_of_glare_are_left_out_where_the_network_sees_none():
    """A mirrored flame beside it widens a body on one side; the network sees the flame alone."""
    body = body_of(width_mm=7.0, slope=0.05)
    beside = (body.heights > 78) & (body.heights < 92)
    wide = replace(body, rights=np.where(beside, body.rights + 4.0, body.rights))
    near = np.column_stack([np.ones_like(beside), ~beside])
    seen = Mapped(body.top_mm - 2.0, body.bottom_mm, 6.5, 0.05, 1.0, near, 9.0)
    astray, drop = fitted_drop(wide, 70.0, NOWHERE_MM), fitted_drop(replace(wide, mapped=seen), 70.0, NOWHERE_MM)
    assert drop.width_mm == pytest.approx(7.0, abs=0.5)
    assert drop.slope == pytest.approx(0.05, abs=0.02)
    assert abs(astray.width_mm - 7.0) > 1.0


def test_a_foot_near_the_lowest_flame_has_the_density_it_says():
    """Grows with the height above the pool: mean and spread by numerical integration."""
    height = np.linspace(50.0, 56.0, 20_001)
    density = height - 50.0
    density /= density.sum()
    mean = density @ height
    foot = Foot.near(56.0, 50.0, 0.0, 0.5)
    assert foot.height_mm == pytest.approx(mean, abs=1e-3)
    assert foot.u_mm == pytest.approx(np.sqrt(density @ (height - mean) ** 2), abs=1e-3)
