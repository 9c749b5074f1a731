"""Pose of the rim circle, against OpenCV, worked examples and exact geometry of rendered views."""

from __future__ import annotations

import json
import math
from pathlib import Path

import cv2
import numpy as np
import pytest

from pooleye.optics.camera import Camera, camera_for
from pooleye.optics.circle_pose import CirclePose, circle_images, circle_poses, many_circle_poses
from pooleye.optics.ellipse import Ellipse, EllipseFit, fit_ellipse, radial_residuals

VIEWS = json.loads((Path(__file__).parent / "data" / "rendered_views.json").read_text())["views"]
CENTRED = Camera(3000, 0, 0, 30, assumed=False)
PHONE = camera_for((4032, 3024), 26)


def circle_points_mm(centre: np.ndarray, normal: np.ndarray, radius_mm: float, n: int = 72) -> np.ndarray:
    """Points of a circle in space, from its definition alone."""
    across = np.cross(normal, [0.3, -0.5, 0.8])
    across /= np.linalg.norm(across)
    along = np.cross(normal, across)
    t = np.arange(n) * (2 * math.pi / n)
    return centre + radius_mm * (np.cos(t)[:, None] * across + np.sin(t)[:, None] * along)


def seen_by_opencv(points_mm: np.ndarray, camera: Camera) -> np.ndarray:
    pixels, _ = cv2.projectPoints(points_mm, np.zeros(3), np.zeros(3), camera.matrix(), None)
    return np.asarray(pixels).reshape(-1, 2)


def ellipse_of(centre: np.ndarray, normal: np.ndarray, radius_mm: float, camera: Camera) -> Ellipse:
    fit = fit_ellipse(seen_by_opencv(circle_points_mm(centre, normal, radius_mm), camera), loss="none")
    assert isinstance(fit, EllipseFit)
    return fit.ellipse


def leaning(tilt_deg: float, towards_deg: float) -> np.ndarray:
    """Unit normal towards the camera, leaning by ``tilt_deg`` in the picture direction ``towards_deg``."""
    t, d = math.radians(tilt_deg), math.radians(towards_deg)
    return np.array([math.sin(t) * math.cos(d), math.sin(t) * math.sin(d), -math.cos(t)])


def view_ellipse(view: dict) -> Ellipse:
    e = view["rim_ellipse_px"]
    return Ellipse(e["cx"], e["cy"], e["semi_major"], e["semi_minor"], math.radians(e["angle_deg"]))


class TestWorkedExamples:
    """Own worked examples of the formulas of Safaee-Rad et al. 1992, rim of 75 mm at 400 mm, f = 3000 px."""

    def test_centred_circle_at_thirty_degrees(self) -> None:
        normal = np.array([0, -0.5, -math.sqrt(3) / 2])
        ellipse = ellipse_of(np.array([0, 0, 400.0]), normal, 37.5, CENTRED)
        # The ellipse's centre is not the image (0, 0) of the circle's.
        assert [ellipse.cx, ellipse.cy, ellipse.a, ellipse.b] == pytest.approx(
            [0, 11.4425, 281.5595, 244.1060], abs=6e-5
        )
        poses = circle_poses(ellipse, 37.5, CENTRED)
        given = min(poses, key=lambda pose: np.linalg.norm(pose.normal - normal))
        other = max(poses, key=lambda pose: np.linalg.norm(pose.normal - normal))
        assert given.centre_mm == pytest.approx([0, 0, 400], abs=1e-4)
        assert given.tilt_deg == pytest.approx(30, abs=1e-5)
        assert given.height_mm == pytest.approx(400 * math.cos(math.radians(30)), abs=1e-4)
        assert given.distance_mm == pytest.approx(400, abs=1e-4)
        assert other.centre_mm == pytest.approx([0, 3.0312, 399.9885], abs=6e-5)
        assert other.normal == pytest.approx([0, 0.49342, -0.86979], abs=6e-6)

    def test_circle_off_the_optical_axis(self) -> None:
        normal = np.array([0, -0.5, -math.sqrt(3) / 2])
        ellipse = ellipse_of(np.array([20.0, -15.0, 400.0]), normal, 37.5, CENTRED)
        measured = [ellipse.cx, ellipse.cy, ellipse.a, ellipse.b, ellipse.angle_deg]
        assert measured == pytest.approx([150.3303, -101.3053, 281.8719, 238.5563, 4.2934], abs=6e-5)
        other = max(circle_poses(ellipse, 37.5, CENTRED), key=lambda pose: np.linalg.norm(pose.normal - normal))
        assert other.centre_mm == pytest.approx([19.7499, -11.8565, 400.1179], abs=6e-5)
        assert other.normal == pytest.approx([-0.08408, 0.55681, -0.82638], abs=6e-6)


@pytest.mark.parametrize("tilt_deg", [0, 0.01, 0.5, 3, 12, 25, 45, 70])
@pytest.mark.parametrize("towards_deg", [0, 73, 180, 251])
@pytest.mark.parametrize("centre", [(0, 0, 300), (40, -25, 280), (-80, 60, 400)])
def test_given_pose_is_one_of_the_two_and_both_project_onto_the_ellipse(
    tilt_deg: float, towards_deg: float, centre: tuple[float, ...]
) -> None:
    """The projection is OpenCV's projectPoints."""
    normal, where = leaning(tilt_deg, towards_deg), np.array(centre, dtype=float)
    ellipse = ellipse_of(where, normal, 38.0, PHONE)
    poses = circle_poses(ellipse, 38.0, PHONE)
    assert min(np.linalg.norm(pose.normal - normal) for pose in poses) < 1e-4
    assert min(np.linalg.norm(pose.centre_mm - where) for pose in poses) < 2e-3
    for pose in poses:
        assert pose.normal[2] < 0 < pose.centre_mm[2]
        assert np.linalg.norm(pose.normal) == pytest.approx(1)
        seen = seen_by_opencv(circle_points_mm(pose.centre_mm, pose.normal, 38.0), PHONE)
        assert np.abs(ellipse.orthogonal_residuals(seen)).max() < 1e-5
    assert poses[0].tilt_deg <= poses[1].tilt_deg
    # Which of the two is right cannot be told from heights: they share one.
    assert poses[0].height_mm == pytest.approx(poses[1].height_mm, rel=1e-6)


def test_one_of_the_poses_is_that_of_opencv_solvepnp() -> None:
    """solvePnP gets to know which point is which, and so has one answer."""
    normal, centre = leaning(17, 140), np.array([25.0, -10.0, 310.0])
    pixels = seen_by_opencv(circle_points_mm(centre, normal, 40.0, 12), PHONE)
    flat = circle_points_mm(np.zeros(3), np.array([0, 0, -1.0]), 40.0, 12)
    found, turn, shift = cv2.solvePnP(flat, pixels, PHONE.matrix(), None, flags=cv2.SOLVEPNP_IPPE)
    assert found
    reference = cv2.Rodrigues(turn)[0] @ [0, 0, -1.0]
    poses = circle_poses(ellipse_of(centre, normal, 40.0, PHONE), 40.0, PHONE)
    nearest = min(poses, key=lambda pose: np.linalg.norm(pose.normal - reference))
    assert nearest.centre_mm == pytest.approx(shift.ravel(), abs=1e-3)
    assert nearest.normal == pytest.approx(reference, abs=1e-5)


def test_square_on_both_poses_coincide() -> None:
    first, second = circle_poses(Ellipse(PHONE.cx_px, PHONE.cy_px, 400, 400, 0), 38, PHONE)
    assert first.tilt_deg == pytest.approx(0, abs=1e-4)
    assert second.tilt_deg == pytest.approx(0, abs=1e-4)
    # Similar triangles: radius over distance equals pixels over focal length.
    assert first.height_mm == pytest.approx(38 * PHONE.f_px / 400)


@pytest.mark.parametrize("radius_mm", [0, -38, math.nan, math.inf])
def test_impossible_radius_is_refused(radius_mm: float) -> None:
    with pytest.raises(ValueError, match="positive radius"):
        circle_poses(Ellipse(0, 0, 5, 4, 0), radius_mm, PHONE)


@pytest.mark.parametrize("view", VIEWS, ids=[f"{v['vessel']}-{v['tilt_deg']}" for v in VIEWS])
def test_rendered_views_give_back_their_tilt_and_height(view: dict) -> None:
    """An independent renderer's exact scene; the rim circle lies up to 1.4 mm below the rim plane (rounded lip)."""
    camera = camera_for(tuple(view["size_px"]), view["focal_35mm"])
    poses = circle_poses(view_ellipse(view), view["rim_inner_diameter_mm"] / 2, camera)
    nearest = min(poses, key=lambda pose: abs(pose.tilt_deg - view["tilt_deg"]))
    assert nearest.tilt_deg == pytest.approx(view["tilt_deg"], abs=0.05)
    assert 0.45 < nearest.height_mm - view["camera_height_mm"] < 1.45


def test_tilt_needs_no_arccosine_near_zero() -> None:
    """acos(1 - t^2/2) loses small tilts to rounding."""
    pose = CirclePose(np.array([0, 0, 300.0]), leaning(1e-7, 0))
    assert pose.tilt_deg == pytest.approx(1e-7, rel=1e-6)


def test_images_of_circles_are_the_ellipses_that_their_points_make():
    """Against OpenCV's projectPoints; many at once, and back again by `many_circle_poses`."""
    rng = np.random.default_rng(17)
    centres = np.column_stack([rng.uniform(-30, 30, (8, 2)), rng.uniform(200, 500, 8)])
    normals = np.column_stack([rng.uniform(-0.4, 0.4, (8, 2)), np.full(8, -1.0)])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    images = circle_images(centres, normals, np.full(8, 38.0), PHONE)
    for centre, normal, image in zip(centres, normals, images, strict=True):
        points = seen_by_opencv(circle_points_mm(centre, normal, 38.0), PHONE)
        assert np.abs(Ellipse.from_vector(image).orthogonal_residuals(points)).max() < 1e-3
        assert radial_residuals(image[None], points)[0] == pytest.approx(0.0, abs=1e-3)
    _, found = many_circle_poses(images, 38.0, np.full(8, PHONE.f_px), PHONE)
    assert (found @ normals[:, :, None]).max(axis=(1, 2)) == pytest.approx(1.0)


def test_a_circle_partly_behind_the_lens_makes_no_ellipse():
    with pytest.raises(ValueError, match="edge-on"):
        circle_images(np.array([[0.0, 0.0, 10.0]]), np.array([[1.0, 0.0, 0.0]]), np.array([38.0]), PHONE)
