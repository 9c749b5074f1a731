"""Which of the two poses of a rim, and how deep the wax: on scenes drawn in either pose, seen by a perfect network."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pooleye.optics.circle_pose import circle_poses
from pooleye.top.pose import SQUARE_DEG, lip_drop_mm, liquid_share, possible_wax_lines_mm, stand

DROP_MM, _ = lip_drop_mm(76.0)


def both_poses(draw, tilt_deg, **more):
    """Two scenes with the same rim in the picture, the phone standing on one side and on the other."""
    first = draw.Scene(tilt_deg=tilt_deg, at_px=(860.0, 540.0), **more)
    poses = circle_poses(first.rim, first.rim_mm / 2, first.camera)
    scenes = [draw.Scene(pose=pose, **more) for pose in poses]
    apart = math.degrees(math.acos(float(np.clip(poses[0].normal @ poses[1].normal, -1, 1))))
    assert apart > 2 * SQUARE_DEG
    return scenes


def stood(scene, headspace_mm, height_mm=100.0):
    return stand(scene.rim, scene.closeup(), scene.camera, scene.rim_mm, scene.base_mm, height_mm, headspace_mm)


def off_deg(standing, scene):
    return math.degrees(math.acos(min(1.0, float(standing.frame.pose.normal @ scene.frame.pose.normal))))


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize("tilt_deg", [6.0, 14.0, 25.0])
@pytest.mark.parametrize("wax", ["solid", "pool", "full"])
def test_the_pose_is_the_one_in_which_the_scene_was_drawn(draw, tilt_deg, which, wax):
    pool = {"solid": None, "pool": draw.circle(22.0), "full": draw.circle(60.0)}[wax]
    scene = both_poses(draw, tilt_deg, depth_mm=24.0, pool_mm=pool)[which]
    standing = stood(scene, 24.0 + DROP_MM)
    assert off_deg(standing, scene) < 0.1
    assert standing.wax_line.depth_mm == pytest.approx(24.0, abs=0.6)
    assert standing.wax_line.overlap > 0.97
    assert standing.rival is None


@pytest.mark.parametrize("which", [0, 1])
@pytest.mark.parametrize(("tilt_deg", "depth_mm"), [(8.0, 30.0), (15.0, 12.0), (22.0, 40.0)])
def test_without_headspace_the_wax_line_says_both_pose_and_depth(draw, tilt_deg, depth_mm, which):
    scene = both_poses(draw, tilt_deg, depth_mm=depth_mm, pool_mm=draw.circle(20.0))[which]
    standing = stood(scene, None)
    assert off_deg(standing, scene) < 0.1
    assert standing.wax_line.depth_mm == pytest.approx(depth_mm, abs=1.0)
    assert 0.0 < standing.wax_line.u_depth_mm < 6.0


def test_a_tapered_vessels_wax_line_is_found_with_its_taper(draw):
    scene = both_poses(draw, 14.0, depth_mm=20.0, base_mm=58.0, vessel_height_mm=90.0)[1]
    standing = stood(scene, None, height_mm=90.0)
    assert off_deg(standing, scene) < 0.1
    assert standing.wax_line.depth_mm == pytest.approx(20.0, abs=1.0)


def test_where_both_poses_explain_the_wax_alike_the_other_one_is_kept(draw):
    """Wax up to the rim looks the same from both sides."""
    scene = both_poses(draw, 12.0, depth_mm=0.3)[0]
    standing = stood(scene, 0.3 + DROP_MM)
    assert standing.rival is not None
    assert off_deg(standing, scene) < 0.1 or off_deg(standing, both_poses(draw, 12.0, depth_mm=0.3)[1]) < 0.1


def test_seen_square_on_there_is_only_one_pose(draw):
    scene = draw.Scene(tilt_deg=0.0, depth_mm=20.0)
    standing = stood(scene, 20.0 + DROP_MM)
    assert standing.rival is None
    assert standing.frame.pose.tilt_deg < 0.5


def test_a_ring_of_solid_wax_may_stand_above_the_pool_but_solid_wax_lies_at_its_level(draw):
    pool = draw.Scene(depth_mm=24.0, pool_mm=draw.circle(20.0)).closeup()
    solid = draw.Scene(depth_mm=24.0).closeup()
    lines = possible_wax_lines_mm(pool, 76.0, 100.0, 24.0 + DROP_MM)
    assert lines[-1] == pytest.approx(24.0)
    assert lines[0] < 8.0
    assert possible_wax_lines_mm(solid, 76.0, 100.0, 24.0 + DROP_MM) == pytest.approx([24.0])


def test_liquid_share_is_that_of_the_wax_seen(draw):
    """Seen square-on: areas of circles, (20 / 38)²."""
    close = draw.Scene(depth_mm=0.3, tilt_deg=0.0, pool_mm=draw.circle(20.0)).closeup()
    assert liquid_share(close) == pytest.approx((20 / 38) ** 2, abs=0.01)
