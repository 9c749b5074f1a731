"""The flame told from its image, and the vessel from things beside it."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from drawn import Drawing

from pooleye.side.facing import plane_map
from pooleye.side.flame import Body, Mapped
from pooleye.side.flames import Flames, _shines, flames_of
from pooleye.side.measure import measure_side, seen_scene

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


@pytest.mark.parametrize(
    ("plateau", "warmth", "logit", "expected"),
    [
        (255.0, 40.0, None, True),
        (255.0, 8.0, None, False),  # a mirrored lamp, white to its very edge
        (255.0, 8.0, 2.8, False),
        (255.0, 8.0, 7.4, True),  # through blue glass
        (238.0, 20.0, 7.4, True),  # in a dark exposure
        (238.0, 20.0, None, False),
    ],
)
def test_what_shines_is_yellow_at_its_edge_unless_the_network_is_sure(plateau, warmth, logit, expected):
    heights = np.linspace(90.0, 70.0, 100)
    near = np.ones((100, 2), bool)
    mapped = None if logit is None else Mapped(90.0, 70.0, 5.0, 0.0, 1.0, near, logit)
    edges = np.full(100, 2.5)
    body = Body(heights, -edges, edges, "seen", "seen", None, plateau, 0.3, 0.0, warmth, mapped)
    assert _shines(body) is expected


def flames_unseen_by_the_network(drawing: Drawing, foot_mm: float, height_mm: float) -> Flames:
    """What is made of one drop of light of which the network sees nothing."""
    picture = with_drop(drawing, foot_mm, height_mm, FLAME)
    scene, _ = seen_scene(replace(drawing.photo(), rgb=picture), drawing.vessel, drawing.headspace_mm)
    assert scene.located.maps is not None
    blind = replace(scene.located.maps, flame=np.full_like(scene.located.maps.flame, -9.0), wider=None)
    return flames_of(picture, scene.located.pose, float(scene.inner_radius_mm[0]), scene.pool_mm, blind, opaque=True)


@pytest.mark.parametrize(("height_mm", "bodies", "left_open"), [(8.0, 1, False), (24.0, 0, True)])
def test_what_the_network_does_not_see_is_a_small_part_of_a_flame_or_left_open(height_mm, bodies, left_open):
    drawing = Drawing(see_through=False, flame_mm=0.0, wax_mm=84.0)
    found = flames_unseen_by_the_network(drawing, drawing.height_mm + 1.0, height_mm)
    assert (len(found.bodies), found.lost) == (bodies, left_open)


def test_a_flame_that_begins_far_above_the_rim_is_another_candles():
    drawing = Drawing(see_through=False, flame_mm=0.0, wax_mm=84.0)
    assert len(flames_unseen_by_the_network(drawing, drawing.height_mm + 20.0, 10.0).bodies) == 1
    assert not flames_unseen_by_the_network(drawing, drawing.height_mm + 45.0, 10.0).bodies
