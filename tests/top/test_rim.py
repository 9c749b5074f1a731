"""Which ring is the rim: drawn mouths and wax seen by a perfect network, in a picture without any edge."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.flags import Declined
from pooleye.measuring import Vessel
from pooleye.optics.ellipse import Ellipse
from pooleye.top.locate import Mouth
from pooleye.top.rim import ABOUT_EQUAL, SAME, MouthEdge, _mean_ellipse, _strength_at, choose_rim, find_rim, mouth_edge
from pooleye.top.rings import Ring, apart

EVEN = np.full((1200, 1600, 3), 128, np.uint8)


def chosen(scene, close):
    edge = MouthEdge(scene.rim, scene.rim, 1.0, close)
    return choose_rim(EVEN, edge, scene.frame.camera, Vessel(scene.rim_mm), scene.depth_mm)


def test_a_rim_without_an_edge_is_believed_where_the_wax_speaks_for_it(draw):
    scene = draw.Scene(pool_mm=None, tilt_deg=8.0)
    assert chosen(scene, scene.closeup()).ellipse.mean_radius == pytest.approx(scene.rim.mean_radius, rel=1e-6)


def test_a_ring_that_neither_an_edge_nor_the_wax_speaks_for_is_declined(draw, monkeypatch):
    """The wax lies where none of this vessel can be."""
    scene = draw.Scene(pool_mm=None, tilt_deg=8.0)
    elsewhere = scene.disc((25.0, 0.0), 50.0, 0.0)
    close = scene.closeup(wax=elsewhere)
    monkeypatch.setattr("pooleye.top.rim.look_close", lambda rgb, at: close)
    edge = MouthEdge(scene.rim, scene.rim, 1.0, close)
    with pytest.raises(Declined) as declined:
        find_rim(EVEN, edge, scene.frame.camera, Vessel(scene.rim_mm), scene.depth_mm)
    assert declined.value.reference == "no-vessel"


def test_rings_that_are_one_edge_are_averaged_by_their_claims():
    """Three met a little differently, one of them with hardly a claim, and another edge altogether."""
    ellipses = [Ellipse(100 + x, 100, 50 + a, 45 + a, 0.0) for x, a in ((-0.3, 0.2), (0.3, -0.2), (0.5, 0.5), (0, 4))]
    assert [apart(other, ellipses[0]) < SAME for other in ellipses] == [True, True, True, False]
    claims = np.array([1.0, 1.0, 1.0 - 12 * ABOUT_EQUAL, 1.0])
    mean = _mean_ellipse(ellipses, claims, 0)
    assert mean.vector() == pytest.approx(Ellipse(100, 100, 50, 45, 0.0).vector(), abs=1e-3)


def test_an_edge_where_the_wax_would_end_speaks_for_a_rim_but_not_for_itself():
    rim = Ellipse(100, 100, 50, 48, 0.0).vector()
    line = Ellipse(102, 100, 46, 44, 0.0).vector()
    beside = Ellipse(102, 100, 49, 47, 0.0).vector()
    rings = [Ring(rim, 0.9), Ring(line, 0.6), Ring(beside, 0.8)]
    found = _strength_at(np.array([line, rim, beside + 20.0]), np.array([rim, rim, rim]), rings)
    assert found == pytest.approx([0.6, 0.0, 0.0], abs=0.03)


def test_a_doubtful_rim_is_looked_at_again_and_the_clearer_one_taken(draw, monkeypatch):
    """At first the mouth is seen far too small and in the wrong place; a look at what was found sees it as it is."""
    scene = draw.Scene(pool_mm=None, tilt_deg=8.0)
    true = scene.rim
    wrong = Ellipse(true.cx + 0.08 * true.a, true.cy, 0.93 * true.a, 0.93 * true.b, true.angle_rad)
    looks = []

    def look(rgb, at):
        looks.append(at)
        return scene.closeup(at)

    monkeypatch.setattr("pooleye.top.rim.look_close", look)
    first = MouthEdge(wrong, wrong, 1.0, scene.closeup(wrong))
    vessel, camera = Vessel(scene.rim_mm), scene.frame.camera
    rim, edge = find_rim(scene.picture(), first, camera, vessel, scene.depth_mm)
    assert apart(rim.ellipse, true) < 0.01
    assert len(looks) <= 1
    poor = MouthEdge(wrong, wrong, 1.0, scene.closeup(wrong, wax=scene.disc((25.0, 0.0), 50.0, 0.0)))
    rim, edge = find_rim(scene.picture(), poor, camera, vessel, scene.depth_mm)
    assert len(looks) >= 1
    assert edge.close is not poor.close
    assert apart(rim.ellipse, true) < 0.01


def test_a_mouth_that_looks_oval_is_looked_at_again_before_it_is_declined(draw, monkeypatch):
    scene = draw.Scene(pool_mm=None, tilt_deg=24.0)
    true = scene.rim
    oval = Ellipse(true.cx, true.cy, true.a, 0.8 * true.b, true.angle_rad)
    squeezed = draw.Scene(pool_mm=None, tilt_deg=33.0)
    monkeypatch.setattr("pooleye.top.closeup.look_close", lambda rgb, at: squeezed.closeup(at))
    monkeypatch.setattr("pooleye.top.rim.look_close", lambda rgb, at: scene.closeup(at))
    mouth = Mouth(oval, False, False, 0.0, 0.97, 0.1)
    assert apart(mouth_edge(EVEN, mouth).ellipse, true) < 0.01
    monkeypatch.setattr("pooleye.top.rim.look_close", lambda rgb, at: squeezed.closeup(at))
    with pytest.raises(Declined) as declined:
        mouth_edge(EVEN, mouth)
    assert declined.value.reference == "too-oblique"
