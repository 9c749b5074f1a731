"""Wicks, flames and the carbon ball on maps drawn in perspective."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pooleye.top.wick import STUB_MM, ball_diameter_mm, count_flames, find_wicks


def found_in(scene, **maps):
    return find_wicks(scene.closeup(**maps), scene.rim, scene.frame, scene.depth_mm)


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, 25.0])
@pytest.mark.parametrize("foot", [(0.0, 0.0), (6.0, -4.0), (-20.0, 15.0)])
def test_a_foot_is_found_where_it_leaves_the_wax(draw, foot, tilt_deg):
    scene = draw.Scene(tilt_deg=tilt_deg, towards_deg=70.0, depth_mm=22.0)
    (wick,) = found_in(scene, wick=scene.spot((*foot, -22.0)))
    assert wick.foot_mm == pytest.approx(foot, abs=0.15)
    assert wick.foot_px == pytest.approx(scene.frame.project([[*foot, -22.0]])[0], abs=0.5)


def test_several_wicks_are_all_found(draw):
    scene = draw.Scene(depth_mm=15.0)
    feet = [(-14.0, 0.0), (14.0, 3.0), (0.0, -18.0)]
    wicks = found_in(scene, wick=np.max([scene.spot((*foot, -15.0)) for foot in feet], axis=0))
    assert sorted(tuple(np.round(wick.foot_mm)) for wick in wicks) == sorted(feet)


def test_a_wick_and_its_mirror_image_in_the_pool_are_one(draw):
    scene = draw.Scene(depth_mm=15.0)
    spots = np.maximum(scene.spot((0.0, 0.0, -15.0)), scene.spot((5.0, 0.0, -15.0), height=0.8))
    assert len(found_in(scene, wick=spots)) == 1


def test_a_faint_spot_and_one_outside_of_the_rim_are_no_wicks(draw):
    scene = draw.Scene(depth_mm=15.0)
    assert found_in(scene, wick=scene.spot((0.0, 0.0, -15.0), height=0.25)) == []
    assert found_in(scene, wick=scene.spot((45.0, 0.0, 0.0))) == []


@pytest.mark.parametrize("diameter_mm", [2.0, 4.0, 7.0])
@pytest.mark.parametrize("tilt_deg", [0.0, 15.0])
def test_a_carbon_ball_has_the_diameter_it_has_at_the_wicks_tip(draw, diameter_mm, tilt_deg):
    scene = draw.Scene(depth_mm=22.0, tilt_deg=tilt_deg)
    ball = scene.disc((2.0, 1.0), diameter_mm, 22.0 - STUB_MM)
    found = ball_diameter_mm(scene.closeup(ball=ball), scene.frame, 22.0)
    assert found == pytest.approx(diameter_mm, abs=0.1)


def test_a_bare_wick_has_no_ball_and_under_a_flame_nothing_is_said(draw):
    scene = draw.Scene(depth_mm=22.0)
    assert ball_diameter_mm(scene.closeup(), scene.frame, 22.0) == 0.0
    assert ball_diameter_mm(scene.closeup(ball=scene.disc((0.0, 0.0), 0.8, 15.0)), scene.frame, 22.0) == 0.0
    flame = scene.disc((0.0, 0.0), 9.0, 15.0)
    assert ball_diameter_mm(lit(scene, [flame], [flame]), scene.frame, 22.0) is None
    covered = lit(scene, [flame], [flame], ball=scene.disc((0.0, 0.0), 4.0, 15.0))
    assert ball_diameter_mm(covered, scene.frame, 22.0) is None


def lit(scene, flames, white, **maps):
    """A close look with flames, of which those in `white` are so bright that the picture is clipped."""
    close = scene.closeup(flame=np.max(flames, axis=0), **maps)
    picture = np.zeros_like(close.picture)
    picture[np.max(white, axis=0) > 0.5] = 255
    return replace(close, picture=picture)


def test_flames_are_counted_and_their_mirror_images_are_not(draw):
    """A flame's core is clipped to white; its image in the pool is dimmer."""
    scene = draw.Scene(depth_mm=22.0)
    one, two = scene.disc((-12.0, 0.0), 9.0, 12.0), scene.disc((12.0, 0.0), 9.0, 12.0)
    assert count_flames(lit(scene, [one, two], [one, two])) == 2
    assert count_flames(lit(scene, [one, two], [one])) == 1
    assert count_flames(scene.closeup()) == 0
    speck = scene.disc((0.0, 12.0), 0.8, 12.0)
    assert count_flames(lit(scene, [one, speck], [one, speck])) == 1


def test_in_a_dark_picture_the_largest_is_the_flame_though_it_is_not_white(draw):
    scene = draw.Scene(depth_mm=22.0)
    flame, image = scene.disc((-12.0, 0.0), 9.0, 12.0), scene.disc((6.0, 0.0), 5.0, 30.0)
    assert count_flames(scene.closeup(flame=np.maximum(flame, image))) == 1


def test_alone_a_flame_may_be_tiny(draw):
    """Seen from straight above; a single pixel is noise."""
    scene = draw.Scene(depth_mm=22.0)
    for diameter_mm, flames in ((1.1, 1), (0.4, 0)):
        tiny = scene.disc((0.0, 0.0), diameter_mm, 12.0)
        assert count_flames(lit(scene, [tiny], [tiny])) == flames
