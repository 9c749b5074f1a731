"""The wick that sticks out of the wax, drawn in perspective: foot, tip and lean are known exactly."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pooleye.top.stub import LENGTH_MM, find_stub, lean_deg


def ends_mm(foot, lean, towards_deg, depth_mm, length_mm=LENGTH_MM):
    out = (
        length_mm
        * np.sin(np.radians(lean))
        * np.array([np.cos(np.radians(towards_deg)), np.sin(np.radians(towards_deg))])
    )
    up = length_mm * np.cos(np.radians(lean))
    return np.array([[*foot, -depth_mm], [*(np.add(foot, out)), up - depth_mm]])


def photo_of(scene, ends, thick_mm=1.6, shade=60, shadow=False):
    """Light wax with a wick: a thick line between the two ends as seen, and its soft shadow on the wax."""
    fine, rng = 8, np.random.default_rng(2)
    px = scene.frame.project(ends)
    px_per_mm = np.linalg.norm(np.subtract(*scene.frame.project([[0, 0, -scene.depth_mm], [1, 0, -scene.depth_mm]])))
    image = np.full((1200, 1600), 215.0)
    if shadow:
        (x, y), dark = px[0], np.zeros_like(image)
        far = px[0] + np.array([18.0, 10.0]) * px_per_mm / 4
        cv2.line(dark, (int(x), int(y)), (int(far[0]), int(far[1])), 1.0, int(thick_mm * px_per_mm))
        image -= 70 * cv2.GaussianBlur(dark, (0, 0), 0.8 * px_per_mm)
    mask = np.zeros((1200, 1600), np.float32)
    x0, y0 = np.floor(px.min(0)).astype(int) - 40
    part = np.zeros((160 * fine, 160 * fine), np.uint8)
    a, b = (np.round(((p - [x0, y0]) + 0.5) * fine - 0.5).astype(int) for p in px)
    cv2.line(part, tuple(map(int, a)), tuple(map(int, b)), 255, int(thick_mm * px_per_mm * fine), cv2.LINE_8)
    mask[y0 : y0 + 160, x0 : x0 + 160] = cv2.resize(part, (160, 160), interpolation=cv2.INTER_AREA) / 255
    image = image * (1 - mask) + shade * mask
    image = cv2.GaussianBlur(image, (0, 0), 0.8)[..., None] + rng.normal(0, 1.5, (1200, 1600, 3))
    return np.clip(image, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("lean", [0.0, 8.0, 20.0, 35.0, 60.0])
@pytest.mark.parametrize("tilt", [0.0, 12.0])
def test_the_lean_follows_from_both_ends_and_the_length(draw, lean, tilt):
    scene = draw.Scene(depth_mm=18.0, tilt_deg=tilt)
    foot, tip = scene.frame.project(ends_mm((5.0, -3.0), lean, 70.0, 18.0))
    assert lean_deg(foot, tip, scene.frame, 18.0, LENGTH_MM) == pytest.approx(lean, abs=0.05)


@pytest.mark.parametrize("shadow", [False, True], ids=["no shadow", "a shadow"])
@pytest.mark.parametrize("lean", [0.0, 12.0, 30.0])
@pytest.mark.parametrize("towards", [20.0, 200.0])
def test_a_wick_is_found_in_the_picture_with_its_foot_and_lean(draw, lean, towards, shadow):
    scene = draw.Scene(depth_mm=18.0, tilt_deg=12.0)
    ends = ends_mm((4.0, 2.0), lean, towards, 18.0)
    true_foot = scene.frame.project(ends)[0]
    near = true_foot + np.array([2.0, -1.5])  # the network's foot is off by half a millimetre
    stub = find_stub(photo_of(scene, ends, shadow=shadow), near, scene.frame, 18.0)
    assert abs(stub.lean_deg - lean) < 2 * stub.u_lean_deg
    assert np.linalg.norm(scene.frame.to_plane(stub.foot_px, 18.0)[0] - ends[0, :2]) < 0.9
    assert 4 < stub.u_lean_deg < 20


def test_a_wick_at_the_edge_of_the_picture_is_no_error(draw):
    scene = draw.Scene(depth_mm=18.0)
    picture = np.full((1200, 1600, 3), 200, np.uint8)
    assert np.isfinite(find_stub(picture, np.array([3.0, 4.0]), scene.frame, 18.0).lean_deg)
