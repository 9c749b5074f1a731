"""Which ring is the rim: drawn mouths and wax seen by a perfect network, in a picture without any edge."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.flags import Declined
from pooleye.measuring import Vessel
from pooleye.optics.ellipse import Ellipse
from pooleye.top.rim import ABOUT_EQUAL, SAME, MouthEdge, _mean_ellipse, choose_rim
from pooleye.top.rings import apart

EVEN = np.full((1200, 1600, 3), 128, np.uint8)


def chosen(scene, close):
    edge = MouthEdge(scene.rim, scene.rim, 1.0, close)
    return choose_rim(EVEN, edge, scene.frame.camera, Vessel(scene.rim_mm), scene.depth_mm)


def test_a_rim_without_an_edge_is_believed_where_the_wax_speaks_for_it(draw):
    scene = draw.Scene(pool_mm=None, tilt_deg=8.0)
    assert chosen(scene, scene.closeup()).ellipse.mean_radius == pytest.approx(scene.rim.mean_radius, rel=1e-6)


def test_a_ring_that_neither_an_edge_nor_the_wax_speaks_for_is_declined(draw):
    """The wax lies where none of this vessel can be."""
    scene = draw.Scene(pool_mm=None, tilt_deg=8.0)
    elsewhere = scene.disc((25.0, 0.0), 50.0, 0.0)
    with pytest.raises(Declined) as declined:
        chosen(scene, scene.closeup(wax=elsewhere))
    assert declined.value.reference == "no-vessel"


def test_rings_that_are_one_edge_are_averaged_by_their_claims():
    """Three met a little differently, one of them with hardly a claim, and another edge altogether."""
    ellipses = [Ellipse(100 + x, 100, 50 + a, 45 + a, 0.0) for x, a in ((-0.3, 0.2), (0.3, -0.2), (0.5, 0.5), (0, 4))]
    assert [apart(other, ellipses[0]) < SAME for other in ellipses] == [True, True, True, False]
    claims = np.array([1.0, 1.0, 1.0 - 12 * ABOUT_EQUAL, 1.0])
    mean = _mean_ellipse(ellipses, claims, 0)
    assert mean.vector() == pytest.approx(Ellipse(100, 100, 50, 45, 0.0).vector(), abs=1e-3)
