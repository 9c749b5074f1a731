"""Where a vessel's outline falls in the picture, and back to millimetres."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pooleye.optics.camera import camera_for
from pooleye.side.facing import FacingView
from pooleye.side.outline import outline_mm, outline_normals_px
from pooleye.side.pose import Frustum, Poses, SidePose

CAMERA = camera_for((1600, 1200), 26)


def pose_of(frustum: Frustum, distance_mm: float, roll_deg: float = 0.0, tilt_deg: float = 0.0) -> SidePose:
    vector = [CAMERA.cx_px, CAMERA.cy_px, np.log(distance_mm), np.radians(roll_deg), np.radians(tilt_deg)]
    return SidePose.of(frustum, CAMERA, vector)


@pytest.mark.parametrize(("distance_mm", "factor"), [(400.0, 1.005038), (200.0, 1.020621)])
def test_a_cylinder_looks_wider_than_it_is_at_its_axis(distance_mm: float, factor: float):
    """Worked example by similar triangles: a circle of radius r at distance D is seen at tan(asin(r / D))."""
    pose = pose_of(Frustum(40.0, 40.0, 90.0), distance_mm)
    left, right = (pose.poses.wall_px(side, np.array([0.5]))[0, 0] for side in (-1, 1))
    seen_mm = pose.on_axis_plane_mm([left, right])
    assert seen_mm[1, 0] - seen_mm[0, 0] == pytest.approx(80.0 * factor, rel=1e-5)


def test_outline_touches_the_surface_it_belongs_to():
    """No point of a cone's surface is seen outside its outline; checked against OpenCV's projectPoints."""
    frustum = Frustum(42.0, 33.0, 80.0)
    pose = pose_of(frustum, 300.0, roll_deg=7.0, tilt_deg=12.0)
    middle, axis, near, right = (part[0] for part in pose.poses.frames())
    azimuth, height = np.meshgrid(np.linspace(0, 2 * np.pi, 181), np.linspace(0, 80, 41))
    radius = frustum.radius_mm(height)
    along = (height - 40)[..., None] * axis
    space = (
        middle + along + (radius * np.cos(azimuth))[..., None] * near + (radius * np.sin(azimuth))[..., None] * right
    )
    seen, _ = cv2.projectPoints(space.reshape(-1, 3), np.zeros(3), np.zeros(3), CAMERA.matrix(), None)
    for side in (-1, 1):
        low, high = pose.poses.wall_px(side, np.array([0.0, 1.0]))[0]
        direction = (high - low) / np.linalg.norm(high - low)
        outwards = side * np.array([-direction[1], direction[0]])
        beyond = (seen[:, 0] - low) @ outwards
        assert beyond.max() == pytest.approx(0.0, abs=0.05)


def test_points_of_wall_and_axis_come_back_from_their_pixels():
    pose = pose_of(Frustum(40.0, 40.0, 90.0), 350.0, roll_deg=-3.0, tilt_deg=8.0)
    on_wall = pose.poses.circle_px(63.0, np.radians([-30.0, 0.0, 25.0]), 37.0)[0]
    assert pose.wall_height_mm(on_wall, 37.0) == pytest.approx([63.0] * 3, abs=1e-6)
    assert pose.height_on_axis_mm(pose.axis_px([0.0, 45.0, 120.0])) == pytest.approx([0.0, 45.0, 120.0], abs=1e-6)


def test_facing_view_takes_roll_and_perspective_out():
    pose = pose_of(Frustum(40.0, 40.0, 90.0), 350.0, roll_deg=6.0, tilt_deg=9.0)
    picture = np.zeros((1200, 1600, 3), np.uint8)
    for height in (30.0, 90.0):
        x, y = np.round(pose.axis_px(height)[0]).astype(int)
        picture[y - 1 : y + 2, x - 1 : x + 2] = 255
    view = FacingView.of(picture, pose, 20.0, 10.0, 110.0)
    rows, columns = np.nonzero(view.rgb[..., 0] > 128)
    x, height = view.to_mm(columns, rows)
    assert np.abs(x).max() < 1.0
    assert {round(h / 10) * 10 for h in height} == {30, 90}


def test_rounded_foot_is_seen_above_the_sharp_one_only_from_above():
    frustum = Frustum(40.0, 40.0, 90.0, base_rounding_mm=4.0)
    from_above, level = (pose_of(frustum, 350.0, tilt_deg=tilt).poses for tilt in (15.0, 0.0))
    assert float(from_above.foot_line_mm()[0]) > 0.5
    below = Poses(frustum, CAMERA, level.vectors + np.array([[0.0, -900.0, 0.0, 0.0, -0.6]]))
    assert float(below.foot_line_mm()[0]) == 0.0


@pytest.mark.parametrize("wrong", [(0.0, 40.0, 90.0), (40.0, -1.0, 90.0), (40.0, 40.0, 0.0)])
def test_a_vessel_without_size_is_refused(wrong: tuple[float, float, float]):
    with pytest.raises(ValueError, match="positive"):
        Frustum(*wrong)


def test_the_outline_moves_as_its_slopes_say():
    """Against the outline of poses moved a little: along its normals, where the surface turns away is of no account."""
    poses = Poses(Frustum(42.0, 33.0, 80.0), CAMERA, np.array([[900.0, 700.0, np.log(330.0), 0.05, 0.1]]))
    points, parts = outline_mm(poses)
    normals = outline_normals_px(poses.seen_px(points), parts)
    slopes = poses.slopes_px(points, normals)
    inner = np.concatenate([np.arange(part.start + 1, part.stop - 1) for part in parts])  # ends have rough normals
    for k, step in enumerate((0.03, 0.03, 2e-4, 2e-4, 4e-4)):
        ends = [
            replaced.seen_px(outline_mm(replaced)[0])
            for sign in (1, -1)
            for replaced in [Poses(poses.frustum, CAMERA, poses.vectors + sign * step * np.eye(5)[k])]
        ]
        along = ((ends[0] - ends[1]) * normals).sum(axis=-1) / (2 * step)
        worst = np.abs(along - slopes[..., k])[0, inner].max()
        assert worst < 0.02 * np.abs(along).max()


def test_one_step_of_a_fit_takes_a_vessel_no_farther_than_by_a_third():
    frustum, camera = Frustum(40.0, 40.0, 90.0), camera_for((1600, 1200), 26)
    start = Poses(frustum, camera, np.array([[800.0, 600.0, np.log(400.0), 0.1, 0.2]]))
    moved = start.moved(np.array([[5.0, -7.0, 900.0, 0.01, -0.02]])).vectors[0]
    assert np.exp(moved[2]) == pytest.approx(400.0 * 1.35, rel=0.01)
    assert moved[[0, 1, 3, 4]] == pytest.approx([805.0, 593.0, 0.11, 0.18])
