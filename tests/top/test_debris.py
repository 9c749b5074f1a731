"""Debris on maps drawn in perspective."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pooleye.top.debris import find_debris
from pooleye.top.wick import find_wicks


def found_in(scene, feet=((0.0, 0.0),), flame=None, **maps):
    spots = [scene.spot((*foot, -scene.depth_mm)) for foot in feet]
    close = scene.closeup(wick=np.max(spots, axis=0), **({"flame": flame} if flame is not None else {}), **maps)
    if flame is not None:
        picture = np.zeros_like(close.picture)
        picture[flame > 0.5] = 255
        close = replace(close, picture=picture)
    wicks = find_wicks(close, scene.rim, scene.frame, scene.depth_mm)
    return find_debris(close, wicks, scene.frame, scene.depth_mm)


def crumbs(scene, *places, height=0.9):
    return np.max([scene.spot((*at, -scene.depth_mm), sigma_px=3.5, height=height) for at in places], axis=0)


@pytest.mark.parametrize("tilt", [0.0, 14.0])
def test_every_piece_is_counted_and_placed(draw, tilt):
    scene = draw.Scene(depth_mm=20.0, tilt_deg=tilt)
    places = [(12.0, 3.0), (-9.0, -14.0), (2.0, 20.0)]
    debris = found_in(scene, crumbs=crumbs(scene, *places))
    assert debris.count == 3
    assert sorted(map(tuple, np.round(debris.at_mm))) == sorted(places)
    assert debris.at_px == pytest.approx(
        scene.frame.project(np.column_stack([debris.at_mm, np.full(3, -20.0)])), abs=0.01
    )


def test_a_clean_pool_has_none_for_sure(draw):
    debris = found_in(draw.Scene(depth_mm=20.0))
    assert debris.count == 0
    assert debris.u_count < 0.5


def test_what_the_net_is_not_sure_of_is_not_counted_but_widens_u(draw):
    scene = draw.Scene(depth_mm=20.0)
    debris = found_in(scene, crumbs=crumbs(scene, (12.0, 3.0), height=0.25))
    assert debris.count == 0
    assert debris.u_count > 0.5


def test_the_wick_its_ball_and_what_lies_off_the_wax_are_no_debris(draw):
    scene = draw.Scene(depth_mm=20.0)
    on_wick = crumbs(scene, (0.5, 0.5))
    assert found_in(scene, crumbs=on_wick).count == 0
    ball = scene.disc((8.0, 0.0), 4.0, 14.0)
    assert found_in(scene, crumbs=crumbs(scene, (8.0, 0.0)), ball=ball).count == 0
    assert found_in(scene, crumbs=scene.spot((37.0, 0.0, -3.0), sigma_px=3.5)).count == 0  # on the wall


def test_the_flames_mirror_image_opposite_its_foot_is_no_debris(draw):
    scene = draw.Scene(depth_mm=20.0, tilt_deg=15.0, towards_deg=0.0)
    flame = np.max([scene.disc((0.0, 0.0), 7.0, 20.0 - h) for h in (4.0, 8.0, 12.0)], axis=0)
    below = scene.spot((0.0, 0.0, -32.0), sigma_px=3.5)  # a point of the flame mirrored in the pool
    assert found_in(scene, flame=flame, crumbs=below).count == 0
    beside = crumbs(scene, (0.0, 12.0))
    assert found_in(scene, flame=flame, crumbs=beside).count == 1


def test_a_wicks_shadow_is_long_and_not_counted(draw):
    scene = draw.Scene(depth_mm=20.0)
    streak = crumbs(scene, *[(8.0 + t, 2.0 + 0.5 * t) for t in np.linspace(0, 9, 19)])
    debris = found_in(scene, crumbs=streak)
    assert debris.count == 0
