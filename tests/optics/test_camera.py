"""The camera made from EXIF: focal length, its uncertainty, resized pictures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pooleye.optics.camera import Camera, camera_for


@pytest.mark.parametrize(
    ("focal_35mm", "size_px", "f_px"),
    [
        # Own arithmetic from CIPA DCG-001 (ratio of picture diagonals, full frame 43.267 mm), to two decimals.
        (26, (4032, 3024), 3028.66),
        (26, (4096, 2304), 2824.07),
        (28, (6000, 4000), 4666.67),
        (24, (3000, 3000), 2353.39),
    ],
)
def test_focal_length_follows_the_picture_diagonal(focal_35mm: int, size_px: tuple[int, int], f_px: float) -> None:
    assert camera_for(size_px, focal_35mm).f_px == pytest.approx(f_px, abs=0.005)


def test_upright_and_sideways_pictures_have_the_same_focal_length() -> None:
    wide, tall = camera_for((4032, 3024), 26), camera_for((3024, 4032), 26)
    assert (wide.f_px, wide.u_f_px) == (tall.f_px, tall.u_f_px)


def test_principal_point_is_the_centre_of_the_pixel_grid() -> None:
    camera = camera_for((4, 3), 26)
    assert (camera.cx_px, camera.cy_px) == (1.5, 1.0)


def test_rounding_part_is_that_of_a_one_millimetre_step() -> None:
    """JCGM 100:2008, F.2.2.1: a display step d contributes d/sqrt(12)."""
    camera = camera_for((6000, 4000), 28)
    parts = dict(camera.u_parts_px)
    assert parts["focal-rounding"] == pytest.approx(camera.f_px / 28 / math.sqrt(12))
    # Diagonal and width agree at 3:2, so there is nothing to doubt (to the rounding of the arithmetic).
    assert parts["focal-convention"] == pytest.approx(0, abs=1e-6)


def test_uncertainty_is_the_root_sum_of_squares_of_its_parts() -> None:
    camera = camera_for((4032, 3024), 26)
    assert camera.u_f_px == pytest.approx(math.sqrt(sum(u**2 for _, u in camera.u_parts_px)))
    assert 0.01 < camera.u_f_px / camera.f_px < 0.035


@pytest.mark.parametrize("focal_35mm", [None, 0, -26, math.nan, math.inf])
def test_missing_or_nonsense_focal_length_is_an_assumed_phone_with_a_wider_uncertainty(focal_35mm: float) -> None:
    known, unknown = camera_for((4032, 3024), 26), camera_for((4032, 3024), focal_35mm)
    assert unknown.assumed
    assert not known.assumed
    assert unknown.f_px == known.f_px
    assert unknown.u_f_px > 2 * known.u_f_px
    # Twice the uncertainty reaches over every main camera from 23 to 28 mm.
    assert unknown.f_px - 2 * unknown.u_f_px < known.f_px * 23 / 26
    assert unknown.f_px + 2 * unknown.u_f_px > known.f_px * 28 / 26


def test_scaled_camera_sees_the_same_directions_as_a_resized_picture() -> None:
    """Block-averaging by four puts the centre of block 0 at full-size pixel 1.5."""
    camera = camera_for((4032, 3024), 26)
    small = camera.scaled(0.25)
    ray = np.linalg.inv(camera.matrix()) @ [1.5, 1.5, 1]
    assert small.matrix() @ ray == pytest.approx([0, 0, 1], abs=1e-9)
    assert (small.cx_px, small.cy_px) == ((1008 - 1) / 2, (756 - 1) / 2)
    assert small.u_f_px / small.f_px == pytest.approx(camera.u_f_px / camera.f_px)


def test_camera_without_uncertainty_or_size_is_refused() -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        Camera(3000, 0, 0, 0, assumed=False)
    with pytest.raises(ValueError, match="positive"):
        Camera(0, 0, 0, 1, assumed=False)
    with pytest.raises(ValueError, match="size"):
        camera_for((0, 10), 26)
