"""Pools of exactly known shape, seen by a perfect network: what is recovered is what was drawn.

A pixel of the close look is 0.3 mm of a jar of 76 mm; the bounds are a fraction of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pooleye.optics import polygon
from pooleye.top import networks
from pooleye.top.closeup import MAPS, look_turned
from pooleye.top.pool import by_sector, find_pool, hangup_by_azimuth, wavers

PIXEL_MM = 38.0 * 1.3 / 160


def found_in(scene, wicks=1):
    pool = find_pool(scene.closeup(), scene.rim, scene.frame, scene.depth_mm, wicks)
    assert pool is not None
    return pool


def shapes(draw):
    t = np.arange(720) * (2 * np.pi / 720)
    lobes = 17 + 2.5 * np.cos(3 * t + 0.4) + 1.2 * np.cos(5 * t)
    oval = np.stack([24 * np.cos(t), 15 * np.sin(t)], 1)
    return {
        "round": draw.circle(20.0),
        "tunnelling": draw.circle(7.0),
        "off centre": draw.circle(13.0, (14.0, -9.0)),
        "lobed": np.stack([np.cos(t), np.sin(t)], 1) * lobes[:, None],
        "oval": oval + np.array([3.0, 2.0]),
    }


@pytest.mark.parametrize("tilt_deg", [0.0, 10.0, 25.0])
@pytest.mark.parametrize("name", ["round", "tunnelling", "off centre", "lobed", "oval"])
def test_a_drawn_pool_is_recovered(draw, name, tilt_deg):
    """Area, Feret diameters, centroid against the drawn outline's own."""
    outline = shapes(draw)[name]
    scene = draw.Scene(pool_mm=outline, tilt_deg=tilt_deg, towards_deg=115.0, depth_mm=14.0)
    pool = found_in(scene, wicks=3 if name == "lobed" else 1)
    assert polygon.equivalent_diameter(pool.outline_mm) == pytest.approx(polygon.equivalent_diameter(outline), abs=0.12)
    assert polygon.feret_diameters(pool.outline_mm) == pytest.approx(polygon.feret_diameters(outline), abs=0.45)
    assert polygon.centroid(pool.outline_mm) == pytest.approx(polygon.centroid(outline), abs=0.12)
    assert pool.free.all()
    assert not pool.vague


@pytest.mark.parametrize("height_mm", [180.0, 300.0, 600.0])
@pytest.mark.parametrize("depth_mm", [3.0, 30.0, 55.0])
def test_headspace_does_not_make_a_pool_smaller(draw, depth_mm, height_mm):
    """Uncorrected it would look smaller by D / (D + h), similar triangles: 9 % at 30 mm under a phone at 300 mm."""
    scene = draw.Scene(pool_mm=draw.circle(15.0), depth_mm=depth_mm, height_mm=height_mm, tilt_deg=4.0)
    assert polygon.equivalent_diameter(found_in(scene).outline_mm) == pytest.approx(30.0, abs=0.15)


@pytest.mark.parametrize("base_mm", [50.0, 88.0])
def test_hang_up_in_a_tapered_vessel_is_to_the_wall_at_the_pools_level(draw, base_mm):
    scene = draw.Scene(pool_mm=draw.circle(20.0), depth_mm=25.0, base_mm=base_mm, vessel_height_mm=95.0, tilt_deg=6.0)
    radius = 38.0 - (76.0 - base_mm) / 2 * 25.0 / 95.0
    hangup = hangup_by_azimuth(found_in(scene).outline_mm, radius)
    assert hangup.mean() == pytest.approx(radius - 20.0, abs=0.1)


@pytest.mark.parametrize("towards_deg", [0.0, 130.0, 250.0])
def test_hang_up_by_clock_is_that_of_the_drawn_pool(draw, towards_deg):
    """Against the closed form for a circle off the axis: the root of |r e - c| = a along each direction."""
    centre, a = np.array([9.0, 5.0]), 17.0
    scene = draw.Scene(pool_mm=draw.circle(a, centre), tilt_deg=18.0, towards_deg=towards_deg, depth_mm=12.0)
    frame = scene.frame
    found = by_sector(hangup_by_azimuth(found_in(scene).outline_mm, 38.0), frame)
    azimuth = np.arange(3600) * (2 * np.pi / 3600)
    e = np.stack([np.sin(azimuth), np.cos(azimuth)], 1)
    along = e @ centre
    reach = along + np.sqrt(along**2 - centre @ centre + a**2)
    # the clock as seen: rim points projected, angle about the image of the rim's centre, clockwise from up
    px = frame.project(np.column_stack([38.0 * e, np.zeros(3600)])) - frame.project([[0.0, 0.0, 0.0]])
    clock = np.degrees(np.arctan2(px[:, 0], -px[:, 1])) % 360
    sector = np.floor(clock / 30 + 0.5).astype(int) % 12
    true = [38.0 - reach[sector == k].mean() for k in range(12)]
    assert found == pytest.approx(true, abs=0.2)


def test_a_pool_up_to_the_wall_has_no_hang_up(draw):
    scene = draw.Scene(pool_mm=draw.circle(60.0), depth_mm=18.0, tilt_deg=9.0)
    pool = found_in(scene)
    assert not pool.free.any()
    assert polygon.equivalent_diameter(pool.outline_mm) == pytest.approx(76.0, abs=0.05)


def test_a_pool_that_touches_the_wall_on_one_side_is_free_on_the_other(draw):
    scene = draw.Scene(pool_mm=draw.circle(26.0, (13.0, 0.0)), depth_mm=10.0, tilt_deg=3.0)
    pool = found_in(scene)
    hangup = hangup_by_azimuth(pool.outline_mm, 38.0)
    assert hangup[len(hangup) // 4] == pytest.approx(0.0, abs=0.01)  # azimuth 90° is +x, to the right
    assert hangup[3 * len(hangup) // 4] == pytest.approx(38.0 - 13.0, abs=0.15)
    assert 0.03 < (~pool.free).mean() < 0.45


def test_the_part_under_the_near_rim_is_said_to_be_hidden_and_carried_across(draw):
    """Deep wax, phone well tilted: the near side of an even ring of wax cannot be seen."""
    scene = draw.Scene(pool_mm=draw.circle(34.0), depth_mm=45.0, tilt_deg=22.0, towards_deg=90.0, height_mm=250.0)
    pool = found_in(scene)
    assert 0.05 < pool.hidden_share < 0.5
    assert polygon.equivalent_diameter(pool.outline_mm) == pytest.approx(68.0, abs=1.0)


def test_solid_wax_has_no_pool(draw):
    scene = draw.Scene(pool_mm=None)
    assert find_pool(scene.closeup(), scene.rim, scene.frame, scene.depth_mm, 1) is None


def test_a_network_that_wavers_all_over_gives_a_vague_pool(draw):
    scene = draw.Scene(pool_mm=draw.circle(20.0))
    close = scene.closeup()
    wavering = scene.closeup(pool=(0.6 * close.pool).astype(np.float32))
    pool = find_pool(wavering, scene.rim, scene.frame, scene.depth_mm, 1)
    assert pool is not None
    assert pool.vague


def test_glints_do_not_bite_into_the_outline(draw):
    """Three dark specks on the edge, each as wide as two pixels of the close look."""
    scene = draw.Scene(pool_mm=draw.circle(20.0), tilt_deg=5.0)
    close = scene.closeup()
    specks = sum(
        scene.disc(20.0 * np.array([math.cos(a), math.sin(a)]), 2 * PIXEL_MM, scene.depth_mm) for a in (0.3, 2.0, 4.1)
    )
    spoilt = scene.closeup(pool=np.clip(close.pool - specks, 0, 1).astype(np.float32))
    pool = find_pool(spoilt, scene.rim, scene.frame, scene.depth_mm, 1)
    assert pool is not None
    assert np.hypot(*pool.outline_mm.T) == pytest.approx(20.0, abs=0.35)


def mirrored_rim(draw, scene):
    """Where the liquid mirrors the rim, mm (N, 2) in its plane, by the law of reflection: on the line of sight from the
    lens, mirrored in that plane, to the rim itself."""
    frame = scene.frame
    lens = frame._axes @ -frame.pose.centre_mm
    lens = lens * [1, 1, -1] + [0, 0, -2 * scene.depth_mm]
    rim = np.column_stack([draw.circle(scene.rim_mm / 2), np.zeros(720)])
    share = (-scene.depth_mm - lens[2]) / (rim[:, 2] - lens[2])
    return (lens + share[:, None] * (rim - lens))[:, :2]


@pytest.mark.parametrize("tilt_deg", [0.0, 4.0])
def test_an_edge_where_the_liquid_mirrors_the_rim_is_none(draw, tilt_deg):
    """A full pool that the net takes to end there."""
    scene = draw.Scene(tilt_deg=tilt_deg, depth_mm=12.0)
    scene.pool_mm = mirrored_rim(draw, scene)
    inside = np.hypot(*scene.pool_mm.T) < scene.wax_radius_mm - 1
    assert inside.mean() > 0.6
    pool = found_in(scene)
    assert polygon.area(pool.outline_mm) == pytest.approx(np.pi * scene.wax_radius_mm**2, rel=0.01)
    assert pool.hidden_share > 0.4
    assert not pool.free.any()


def test_a_pool_that_only_crosses_the_rims_mirror_image_keeps_its_edge(draw):
    scene = draw.Scene(tilt_deg=0.0, depth_mm=12.0)
    scene.pool_mm = draw.circle(30.0, (3.0, 0.0))
    assert found_in(scene).free.all()


def test_a_flame_standing_in_the_pool_is_part_of_its_area(draw):
    scene = draw.Scene(pool_mm=draw.circle(20.0), tilt_deg=5.0)
    close = scene.closeup()
    flame = scene.disc((16.0, 0.0), 8.0, scene.depth_mm)
    burning = scene.closeup(pool=np.clip(close.pool - flame, 0, 1).astype(np.float32), flame=flame)
    pool = find_pool(burning, scene.rim, scene.frame, scene.depth_mm, 1)
    assert pool is not None
    assert polygon.equivalent_diameter(pool.outline_mm) == pytest.approx(40.0, abs=0.25)


@pytest.mark.parametrize(("wicks", "coverage_lost"), [(1, 0.0), (2, 0.08)], ids=["one wick", "two wicks"])
def test_glare_over_the_edge_is_bridged_unless_several_wicks_may_have_left_a_notch(draw, wicks, coverage_lost):
    """A disc of glare, 16 mm across, on the edge of a round pool of 20 mm."""
    scene = draw.Scene(pool_mm=draw.circle(20.0), tilt_deg=5.0)
    close = scene.closeup()
    glare = scene.disc((20.0, 0.0), 16.0, scene.depth_mm)
    spoilt = scene.closeup(pool=np.clip(close.pool - glare, 0, 1).astype(np.float32))
    pool = find_pool(spoilt, scene.rim, scene.frame, scene.depth_mm, wicks)
    assert pool is not None
    lost = 1 - polygon.area(pool.outline_mm) / (math.pi * 20.0**2)
    assert lost == pytest.approx(coverage_lost, abs=0.02)
    assert (pool.hidden_share > 0.05) == (wicks == 1)


def test_a_close_look_is_worth_turning_where_part_of_the_wax_is_neither_solid_nor_liquid(draw):
    scene = draw.Scene(pool_mm=draw.circle(20.0))
    close = scene.closeup()
    doubt = scene.disc((10.0, 0.0), 18.0, scene.depth_mm)
    assert not wavers(close)
    assert wavers(scene.closeup(pool=np.where(doubt > 0.5, 0.5, close.pool).astype(np.float32)))


def test_turned_looks_are_laid_over_each_other_and_averaged(draw, monkeypatch):
    """A network that sees what is there, plus something of its own at the top left whichever way it is held."""
    scene = draw.Scene(pool_mm=draw.circle(20.0, (6.0, 3.0)))
    close = scene.closeup()
    shown = np.round(close.pool * 255).astype(np.uint8)

    def run(name, rgb):
        seen = np.repeat(rgb[None, ..., 0].astype(np.float32) / 255, len(MAPS), axis=0)
        seen[:, :40, :40] = 1.0
        return seen

    monkeypatch.setattr(networks, "run", run)
    held_straight = dict(zip(MAPS, run("near", np.dstack([shown] * 3)), strict=True))
    turned = look_turned(replace(close, picture=np.dstack([shown] * 3), **held_straight))
    assert turned.pool[60:-60, 60:-60] == pytest.approx(close.pool[60:-60, 60:-60], abs=0.003)
    for corner in (turned.pool[:40, :40], turned.pool[:40, -40:], turned.pool[-40:, :40], turned.pool[-40:, -40:]):
        assert corner == pytest.approx(0.25, abs=0.003)
