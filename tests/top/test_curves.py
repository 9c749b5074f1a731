"""Ellipses as curves about a guessed one, against points of the ellipses themselves."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.optics.ellipse import Ellipse
from pooleye.top.curves import RAYS, as_curve, as_vectors, fit_curve, radii

GUESS = Ellipse(300.0, 200.0, 150.0, 135.0, 0.4)
OTHER = Ellipse(306.0, 197.0, 158.0, 137.0, 0.7)  # 5 % off in place, size and shape


def radii_of(ellipse: Ellipse) -> np.ndarray:
    """Radius of many of its points in the guess's frame, read off at the rays' angles."""
    at = (ellipse.points(20_000) - GUESS.centre) @ np.linalg.inv(GUESS.shape_matrix()).T
    angle, radius = np.arctan2(at[:, 1], at[:, 0]) % (2 * np.pi), np.hypot(*at.T)
    order = np.argsort(angle)
    return np.interp(np.arange(RAYS) * (2 * np.pi / RAYS), angle[order], radius[order], period=2 * np.pi)


def test_an_ellipse_comes_back_from_its_curve():
    curve = as_curve(GUESS, OTHER)
    assert as_vectors(GUESS, curve[None])[0] == pytest.approx(OTHER.vector())


def test_a_curves_radii_are_those_of_its_ellipse():
    assert radii(as_curve(GUESS, OTHER)[None])[0] == pytest.approx(radii_of(OTHER), abs=5e-4)


def test_every_so_many_th_ray_gives_the_same_radii():
    curve = as_curve(GUESS, OTHER)[None]
    assert radii(curve, 3) == pytest.approx(radii(curve)[:, ::3])


def test_a_fit_keeps_to_the_ellipse_where_rays_see_nothing_or_something_else():
    reach = radii_of(OTHER)
    reach[100:110] = np.nan
    reach[20:60] += np.random.default_rng(5).uniform(0.0, 0.1, 40)
    assert fit_curve(reach, np.ones(RAYS)) == pytest.approx(as_curve(GUESS, OTHER), abs=0.01)
