"""Lines of sight against brute force: a point marched down each pixel's line until it is outside of the wall."""

from __future__ import annotations

import numpy as np
import pytest

from pooleye.top.sightlines import ENDLESS_MM, Circles, sightlines, wall_depths_mm

STEP_MM = 0.01


def marched_depth(scene, px, deepest_mm):
    """Depth at which the line of each pixel leaves the vessel, by steps of STEP_MM; nan for none above `deepest_mm`.

    In the camera's own axes, from the pinhole model alone: a point's depth is its distance from the rim's plane.
    """
    frame = scene.frame
    normal, centre = frame.pose.normal, frame.pose.centre_mm
    rays = np.column_stack([px, np.ones(len(px))]) @ np.linalg.inv(scene.camera.matrix()).T
    found = np.full(len(px), np.nan)
    for depth in np.arange(0.0, deepest_mm, STEP_MM):
        points = rays * ((normal @ centre - depth) / (rays @ normal))[:, None]
        off = points - centre
        axial = off - (off @ normal)[:, None] * normal
        wall = scene.rim_mm / 2
        if scene.base_mm is not None:
            wall -= (scene.rim_mm - scene.base_mm) / 2 / scene.vessel_height_mm * depth
        outside = (np.linalg.norm(axial, axis=1) > wall) & np.isnan(found)
        found[outside] = depth
    return found


@pytest.mark.parametrize("base_mm", [None, 52.0, 90.0], ids=["straight", "narrowing", "widening"])
@pytest.mark.parametrize("tilt_deg", [0.0, 8.0, 25.0])
def test_wall_is_met_where_a_marched_point_leaves_the_vessel(draw, base_mm, tilt_deg):
    scene = draw.Scene(tilt_deg=tilt_deg, base_mm=base_mm, vessel_height_mm=None if base_mm is None else 90.0)
    rng = np.random.default_rng(3)
    ring = scene.rim.points(40)
    px = scene.rim.centre + (ring - scene.rim.centre) * rng.uniform(0.3, 0.999, (40, 1))
    lines = sightlines(scene.frame, px)
    marched = marched_depth(scene, px, 60.0)
    assert lines.through.all()
    met = np.isfinite(marched)
    assert met.sum() >= 3
    assert lines.wall_depth_mm[met] == pytest.approx(marched[met], abs=2 * STEP_MM)
    assert (lines.wall_depth_mm[~met] >= 60.0 - 2 * STEP_MM).all()


def test_pixels_beside_the_rim_do_not_pass_the_mouth(draw):
    scene = draw.Scene()
    ring = scene.rim.points(60)
    centre = scene.rim.centre
    assert sightlines(scene.frame, centre + 0.999 * (ring - centre)).through.all()
    assert not sightlines(scene.frame, centre + 1.001 * (ring - centre)).through.any()


def test_the_line_down_the_axis_of_a_straight_vessel_never_meets_its_wall(draw):
    scene = draw.Scene(tilt_deg=0.0)
    at_axis = scene.frame.project([[0.0, 0.0, 0.0]])
    assert 10_000 < sightlines(scene.frame, at_axis).wall_depth_mm[0] <= ENDLESS_MM


def test_azimuth_is_that_of_the_wall_point_that_is_seen(draw):
    """A point is put on the wall, projected, and found again from its pixel."""
    scene = draw.Scene(tilt_deg=15.0, base_mm=60.0, vessel_height_mm=90.0)
    azimuth = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    depth = 6.0
    px = scene.frame.project(scene.frame.wall_point(azimuth, depth))
    lines = sightlines(scene.frame, px)
    shown = lines.through & (np.abs(lines.wall_depth_mm - depth) < 1e-6)
    assert shown.sum() >= 8
    away = np.angle(np.exp(1j * (lines.wall_azimuth()[shown] - azimuth[shown])))
    assert np.abs(away).max() < 1e-6


@pytest.mark.parametrize("base_mm", [None, 52.0], ids=["straight", "narrowing"])
def test_many_rims_at_once_give_the_depths_that_each_gives_by_itself(draw, base_mm):
    scenes = [
        draw.Scene(tilt_deg=tilt, towards_deg=towards, base_mm=base_mm, vessel_height_mm=base_mm and 90.0)
        for tilt, towards in ((2.0, 0.0), (9.0, 140.0), (24.0, 260.0))
    ]
    px = scenes[0].rim.centre + np.random.default_rng(2).uniform(-260, 260, (400, 2))
    poses = [scene.pose or scene.frame.pose for scene in scenes]
    camera = scenes[0].camera
    centres, normals = (np.array([getattr(pose, name) for pose in poses]) for name in ("centre_mm", "normal"))
    narrowing = 0.0 if base_mm is None else (76.0 - base_mm) / 2 / 90.0
    depths = wall_depths_mm(Circles(centres, normals, np.full(3, camera.f_px), camera), px, 38.0, narrowing)
    for scene, found in zip(scenes, depths, strict=True):
        lines = sightlines(scene.frame, px)
        clear = np.abs(np.hypot(*lines.at_mouth_mm.T) - 38.0) > 1e-3
        assert ((found > 0) == lines.through)[clear].all()
        deep = lines.through & (lines.wall_depth_mm < 200)
        assert deep.sum() > 50
        assert found[deep] == pytest.approx(lines.wall_depth_mm[deep], abs=0.02)
