"""The flame told from its image, and the vessel from things beside it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn import Drawing

from pooleye.side.facing import plane_map
from pooleye.side.flames import flames_of
from pooleye.side.measure import measure_side

FLAME = (255, 250, 225)


def with_drop(drawing: Drawing, foot_mm: float, height_mm: float, colour: tuple[int, int, int]) -> np.ndarray:
    """The picture with one more drop of light on the vessel's axis."""
    t = np.linspace(0, 1, 60)
    half = 0.11 * height_mm * t * (1 - t) ** 0.74 / (0.5747 * 0.4253**0.74)
    x, height = np.r_[-half, half[::-1]], foot_mm + (1 - np.r_[t, t[::-1]]) * height_mm
    seen = np.column_stack([x, height, np.ones_like(x)]) @ plane_map(drawing.pose()).T
    picture = drawing.pixels()
    cv2.fillPoly(picture, [np.round(seen[:, :2] / seen[:, 2:]).astype(np.int32)], colour, cv2.LINE_AA)
    return picture


def test_an_image_that_stands_on_the_flames_tip_is_not_measured_with_it():
    """The wall behind mirrors the flame; seen from above, the image stands on the flame."""
    drawing = Drawing(flame_mm=16.0, flame_width_mm=4.0, wax_mm=45.0, foot_mm=48.0)
    picture = with_drop(drawing, 63.5, 12.0, FLAME)
    photo = replace(drawing.photo(), rgb=picture)
    result = measure_side(photo, drawing.vessel, headspace_mm=drawing.headspace_mm)
    height = result.quantities["flame_height"]
    assert abs(height.value - 16.0) <= min(2 * height.u, 4.0)
    assert result.quantities["flame_count"].value == 1


def test_the_candle_is_meant_and_not_the_tin_beside_it():
    """An opaque vessel of the same shape, with far clearer edges, stands beside the glass that burns."""
    candle = Drawing(size_px=(1600, 1200), shift_px=(-250.0, 0.0), distance_mm=420.0)
    tin = replace(candle, see_through=False, flame_mm=0.0, shift_px=(330.0, -10.0))
    picture, other = candle.pixels(), tin.pixels()
    picture[:, 930:] = other[:, 930:]
    result = measure_side(replace(candle.photo(), rgb=picture), candle.vessel, headspace_mm=candle.headspace_mm)
    height = result.quantities["flame_height"]
    assert abs(height.value - candle.flame_mm) <= 2 * height.u
    assert result.outlines_px.rim is not None
    assert result.outlines_px.rim["cx"] < 800


def test_light_scattered_by_the_glass_is_not_measured():
    """Behind frosted glass a flame is a round glow, wider than any flame: that one burns is all that can be said."""
    drawing = Drawing()
    picture, (x, y) = drawing.pixels(), drawing.pose().axis_px(78.0)[0]
    cv2.circle(picture, (round(x), round(y)), 60, FLAME, -1, cv2.LINE_AA)
    result = measure_side(replace(drawing.photo(), rgb=picture), drawing.vessel, headspace_mm=drawing.headspace_mm)
    assert {"flame-diffuse", "flame-height-unknown"} <= set(result.flags)
    assert result.quantities["flame_count"].value == 1
    assert not {"flame_height", "flame_height_visible", "flame_width", "flame_lean"} & set(result.quantities)


def test_from_above_the_rims_inner_edge_hides():
    """A ray that just clears the inner edge of the near rim meets the upright plane through the axis at
    H - h r / (D - r): H the rim's height, h the lens's height over the rim, r the inner radius, D its distance."""
    drawing = Drawing(tilt_deg=15.0, see_through=False)
    pose, inner = drawing.pose(), drawing.outer_mm / 2 - drawing.wall_mm
    middle, axis, near, _ = (part[0] for part in pose.poses.frames())
    over_rim, distance = -middle @ axis - drawing.height_mm / 2, -middle @ near
    clears_mm = drawing.height_mm - over_rim * inner / (distance - inner)
    flames = flames_of(drawing.pixels(), pose, inner, None)
    assert flames.front_lip_mm == pytest.approx(clears_mm, abs=0.05)
    assert flames.lip_mm[0] < flames.front_lip_mm


@pytest.mark.parametrize(("wax_mm", "flag", "counted"), [(45.0, "flame-unseen", False), (84.0, "flame-none", True)])
def test_a_flame_that_could_not_show_is_not_counted_as_none(wax_mm: float, flag: str, counted: bool):
    """Deep in an opaque vessel a flame may burn unseen; near its rim it would show."""
    drawing = Drawing(see_through=False, wax_mm=wax_mm, flame_mm=0.0)
    result = measure_side(drawing.photo(), drawing.vessel, headspace_mm=drawing.headspace_mm)
    assert flag in result.flags
    assert ("flame_count" in result.quantities) == counted


def test_of_two_flames_the_tallest_is_measured():
    """Also where the other one is nearer the middle."""
    drawing = Drawing(flame_mm=38.0, flame_width_mm=9.0, flame_x_mm=-15.0)
    photo = replace(drawing.photo(), rgb=with_drop(drawing, drawing.foot_mm, 27.0, FLAME))
    result = measure_side(photo, drawing.vessel, headspace_mm=drawing.headspace_mm)
    assert result.quantities["flame_count"].value == 2
    assert result.quantities["flame_height"].value == pytest.approx(38.0, abs=2.5)
