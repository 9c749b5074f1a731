"""Soot found on painted walls: every pixel of a picture is given its colour from the geometry, so the truth is known.

The truth is the mean CIELAB L* (scikit-image's rgb2lab, an independent implementation) of the wall from the rim to
10 mm below it, in the picture with soot minus in the same picture without.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import rgb2lab

from pooleye.optics.camera import camera_for
from pooleye.optics.circle_pose import CirclePose
from pooleye.optics.colour import linear_to_srgb
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top import networks
from pooleye.top.closeup import Closeup
from pooleye.top.fade import ALONE_L, read_fade
from pooleye.top.sightlines import sightlines
from pooleye.top.soot import Soot, common_light, find_soot
from pooleye.top.turn import agreed, turn_by_marks, turn_by_wick
from pooleye.top.wallband import BESIDE, COLUMNS, PER_SECTOR, Band, column_clock_deg, lip_marks, unwrap

Array = NDArray[np.float64]
Wall = Callable[[Array, Array], Array]  # azimuth_rad, depth_mm -> reflectance (..., 3)

SIZE = (1500, 1500)  # as large as the working picture of a phone photo
RADIUS_MM, HEADSPACE_MM = 38.0, 20.0


@dataclass(frozen=True)
class View:
    height_mm: float = 230.0
    tilt_deg: float = 8.0
    toward_deg: float = 40.0
    exposure: float = 1.0
    white: tuple[float, float, float] = (1.0, 1.0, 1.0)


def frame_of(view: View) -> VesselFrame:
    camera = camera_for(SIZE, 26.0)
    tilt, toward = np.radians([view.tilt_deg, view.toward_deg])
    normal = np.array([np.sin(tilt) * np.cos(toward), np.sin(tilt) * np.sin(toward), -np.cos(tilt)])
    centre = np.array([3.0, -5.0, view.height_mm])
    return VesselFrame(CirclePose(centre, normal), camera, RADIUS_MM)


def even_wall(azimuth: Array, depth: Array) -> Array:
    """A light glazed wall, lit from one side, a little darker towards the wax."""
    shade = (0.55 + 0.15 * np.cos(azimuth - 1.0)) * (1 - 0.004 * depth)
    return shade[..., None] * np.array([1.0, 0.97, 0.9])


@cache
def sooty(opacity: float, at_deg: float, half_deg: float, fade_mm: float = 14.0) -> Wall:
    def wall(azimuth: Array, depth: Array) -> Array:
        apart = np.angle(np.exp(1j * (azimuth - np.radians(at_deg))))
        here = opacity * np.exp(-((apart / np.radians(half_deg)) ** 2)) * np.clip(1 - depth / fade_mm, 0, 1)
        return even_wall(azimuth, depth) * (1 - here)[..., None]

    return wall


def with_reflection(azimuth: Array, depth: Array) -> Array:
    """A dark table mirrored in the upper part of one side: a step, not a fade."""
    band = (depth < 3.5) & (np.abs(np.angle(np.exp(1j * azimuth))) < 0.9)
    return even_wall(azimuth, depth) * np.where(band, 0.25, 1.0)[..., None]


@dataclass(frozen=True, eq=False)
class Painted:
    rgb: NDArray[np.uint8]
    band: Band
    frame: VesselFrame


def around_rim(rim: Ellipse) -> tuple[slice, slice, Array]:
    """Rows and columns of the picture's part that holds the vessel, and its pixels (N, 2)."""
    reach = 1.15 * rim.a
    x0, x1, y0, y1 = (int(v) for v in (rim.cx - reach, rim.cx + reach, rim.cy - reach, rim.cy + reach))
    grid = np.stack(np.meshgrid(np.arange(x0, x1), np.arange(y0, y1)), -1).reshape(-1, 2).astype(float)
    return slice(y0, y1), slice(x0, x1), grid


@cache
def painted(view: View, wall: Wall, lip: Callable[[Array], Array] | None = None) -> Painted:
    frame = frame_of(view)
    rim = frame.rim_ellipse()
    rows, columns, grid = around_rim(rim)
    lines = sightlines(frame, grid)
    azimuth = np.nan_to_num(lines.wall_azimuth())
    table = np.array([0.22, 0.17, 0.12])
    light = np.tile(table, (len(grid), 1))
    rim_mm = np.hypot(*lines.at_mouth_mm.T)
    ring = (rim_mm >= RADIUS_MM) & (rim_mm < 1.09 * RADIUS_MM)
    around = np.arctan2(lines.at_mouth_mm[:, 0], lines.at_mouth_mm[:, 1])
    light[ring] = (0.5 + (lip(around[ring]) if lip else 0.0 * around[ring]))[:, None] * np.array([1.0, 0.97, 0.9])
    is_wall = lines.through & (lines.wall_depth_mm < HEADSPACE_MM)
    light[is_wall] = wall(azimuth[is_wall], lines.wall_depth_mm[is_wall])
    light[lines.through & ~is_wall] = (0.8, 0.77, 0.68)
    whole = np.tile(table, (*SIZE[::-1], 1))
    part = whole[rows, columns]
    part[:] = light.reshape(part.shape)
    noise = np.random.default_rng(7).normal(0, 0.6, whole.shape)
    code = 255 * linear_to_srgb(whole * view.exposure * np.array(view.white)) + noise
    rgb = np.clip(np.round(code), 0, 255).astype(np.uint8)
    return Painted(rgb, unwrap(rgb, _closeup(rgb, rim, frame), rim, frame, HEADSPACE_MM, False), frame)


def _closeup(rgb: NDArray[np.uint8], rim: Ellipse, frame: VesselFrame) -> Closeup:
    """What a faultless near net would see: the wax, nothing burning."""
    n = networks.NEAR_PX
    matrix = np.diag([rim.a, rim.a]) * (networks.MARGIN / (n / 2))
    centre = np.array([rim.cx, rim.cy])
    at = (np.stack(np.meshgrid(np.arange(n), np.arange(n)), -1).reshape(-1, 2) - (n - 1) / 2) @ matrix.T + centre
    lines = sightlines(frame, at)
    none = np.zeros((n, n), np.float32)
    wax = (lines.through & (lines.wall_depth_mm > HEADSPACE_MM)).reshape(n, n).astype(np.float32)
    near = np.clip(np.round(at), 0, np.array(SIZE) - 1).astype(int)
    picture = rgb[near[:, 1], near[:, 0]].reshape(n, n, 3)
    mouth = lines.through.reshape(n, n).astype(np.float32)
    unseen = dict.fromkeys(("pool", "flame", "ball", "wick", "crumbs"), none)
    return Closeup(mouth=mouth, wax=wax, **unseen, picture=picture, matrix=matrix, centre=centre)


def true_change(view: View, wall: Wall, clean: Wall) -> tuple[float, list[float]]:
    """Mean change of L* over the wall seen down to 10 mm, and by sector (nan where none is seen)."""
    with_soot, without = painted(view, wall), painted(view, clean)
    rows, columns, grid = around_rim(with_soot.frame.rim_ellipse())
    lines = sightlines(with_soot.frame, grid)
    seen = lines.through & (lines.wall_depth_mm < 10.0)
    here, there = (rgb2lab(p.rgb[rows, columns].reshape(-1, 3)[seen])[:, 0] for p in (with_soot, without))
    change = here - there
    sector = with_soot.frame.sector_of_azimuth(lines.wall_azimuth()[seen])
    return float(change.mean()), [
        float(change[sector == k].mean()) if (sector == k).sum() > 20 else np.nan for k in range(12)
    ]


def measured(view: View, wall: Wall, baseline: View | None = None) -> Soot:
    before = None if baseline is None else painted(baseline, even_wall).band
    soot = find_soot(painted(view, wall).band, before)
    assert soot is not None
    return soot


VIEWS = [
    View(),
    View(height_mm=320.0, tilt_deg=3.0, toward_deg=200.0, exposure=0.45, white=(1.15, 1.0, 0.7)),
    View(height_mm=190.0, tilt_deg=16.0, toward_deg=-70.0, exposure=1.25, white=(0.9, 1.0, 1.15)),
]


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("baseline", [None, VIEWS[1], VIEWS[2]])
def test_a_clean_rim_is_clean_in_any_exposure_white_and_pose(view: View, baseline: View | None) -> None:
    soot = measured(view, even_wall, baseline)
    assert abs(soot.mean) < 1.5
    assert all(abs(v) < 1.5 for v in soot.by_sector if v is not None)
    assert soot.arc_deg == 0


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("opacity", "fade_mm"), [(0.3, 14.0), (0.55, 9.0), (0.7, 18.0)])
def test_soot_is_found_where_it_is_and_as_dark_as_it_is(view: View, opacity: float, fade_mm: float) -> None:
    wall = sooty(opacity, 250.0, 45.0, fade_mm)
    mean, by_sector = true_change(view, wall, even_wall)
    soot = measured(view, wall, VIEWS[0])
    assert abs(soot.mean - mean) < 2 * soot.u_mean
    darkest = int(np.nanargmin(by_sector))
    found = [np.inf if v is None else v for v in soot.by_sector]
    assert abs(int(np.argmin(found)) - darkest) in (0, 1, 11)
    for value, u, truth in zip(soot.by_sector, soot.u_by_sector, by_sector, strict=True):
        if value is not None and u is not None and np.isfinite(truth):
            assert abs(value - truth) < 2.5 * u


def test_soot_all_round_is_found_without_a_cleaner_part_to_compare_with() -> None:
    soot = measured(VIEWS[0], sooty(0.6, 0.0, 2000.0), VIEWS[1])
    assert soot.mean < -5
    assert soot.arc_deg >= soot.view_arc_deg - 30.0


def test_a_dark_reflection_with_a_sharp_edge_is_no_soot() -> None:
    soot = measured(VIEWS[0], with_reflection)
    assert min(v for v in soot.by_sector if v is not None) > -3


def test_a_wall_that_the_picture_does_not_show_gets_no_number() -> None:
    soot = measured(View(tilt_deg=22.0, height_mm=210.0), sooty(0.6, 0.0, 2000.0), VIEWS[0])
    hidden = [k for k, v in enumerate(soot.by_sector) if v is None]
    assert 2 <= len(hidden) <= 7
    assert soot.view_arc_deg == 30.0 * (12 - len(hidden))


def test_a_low_strip_of_wall_widens_the_uncertainty_instead_of_inventing_soot() -> None:
    full = painted(VIEWS[0], sooty(0.5, 90.0, 40.0)).band
    part = find_soot(replace(full, seen=full.seen & (full.depth_mm < 2.5)[:, None]))
    assert part is not None
    assert part.low == pytest.approx(1.0)
    assert part.mean > -4


def test_of_a_strip_too_low_for_a_form_the_network_s_word_counts_little() -> None:
    band = painted(VIEWS[0], sooty(0.7, 0.0, 2000.0)).band
    whole, strip = find_soot(band), find_soot(replace(band, seen=band.seen & (band.depth_mm < 2.0)[:, None]))
    assert whole is not None
    assert strip is not None
    assert whole.mean < -6
    assert strip.mean > -2
    assert strip.low == pytest.approx(1.0)


def test_one_sector_alone_fades_no_further_than_soot_can_round_the_clock() -> None:
    """An edge that a rim found a little off leaves in the band of one sector alone."""
    clean = painted(VIEWS[0], even_wall).band
    edge = np.where(np.arange(COLUMNS) // PER_SECTOR == 3, 1.0, 0.0) * np.exp(-clean.depth_mm / 4.0)[:, None]
    change, _ = read_fade(replace(clean, linear=clean.linear * (1 - 0.98 * edge)[..., None]), None, np.ones(3), None)
    assert -ALONE_L <= change[3] < -3
    assert change[[2, 4]] == pytest.approx(0.0, abs=0.5)


def test_rings_show_wax_lip_and_table_and_nothing_beyond_the_picture() -> None:
    one = painted(VIEWS[0], even_wall)
    wax, lip, table = np.nanmedian(one.band.rings, axis=1)
    assert wax == pytest.approx([0.8, 0.77, 0.68], abs=0.02)
    assert lip == pytest.approx([0.5, 0.485, 0.45], abs=0.02)
    assert table == pytest.approx([0.22, 0.17, 0.12], abs=0.02)
    rim = one.frame.rim_ellipse()
    cut = one.rgb[:, : int(rim.cx + 1.1 * rim.a)]
    rings = unwrap(cut, _closeup(one.rgb, rim, one.frame), rim, one.frame, HEADSPACE_MM, False).rings
    unseen = np.isnan(rings[BESIDE, :, 0]).reshape(12, PER_SECTOR).all(1)
    assert unseen[3]
    assert not unseen[[0, 6, 9]].any()


def test_common_light_undoes_exposure_and_white() -> None:
    before, now = painted(VIEWS[0], even_wall).band, painted(VIEWS[1], even_wall).band
    expected = np.array(VIEWS[1].white) * VIEWS[1].exposure / VIEWS[0].exposure
    assert common_light(before, now) == pytest.approx(expected, rel=0.03)


def test_columns_lie_in_their_own_sectors() -> None:
    clock = column_clock_deg()
    assert np.array_equal(np.floor(clock / 30.0 + 0.5).astype(int) % 12, np.repeat(np.arange(12), 6))


def chips(turn_deg: float) -> Callable[[Array], Array]:
    def lip(azimuth: Array) -> Array:
        marks = 0.0 * azimuth
        for at, width, depth in ((20, 3, 0.2), (75, 5, -0.25), (190, 4, 0.15), (290, 2.5, -0.3)):
            apart = np.angle(np.exp(1j * (azimuth - np.radians(at + turn_deg))))
            marks = marks + depth * np.exp(-((np.degrees(apart) / width) ** 2))
        return marks

    return lip


def test_marks_on_the_lip_tell_the_turn_through_another_pose_and_light() -> None:
    before, now = painted(VIEWS[0], even_wall, chips(0.0)), painted(VIEWS[1], even_wall, chips(70.0))
    turn = turn_by_marks(lip_marks(now.rgb, now.frame), lip_marks(before.rgb, before.frame))
    assert turn is not None
    assert abs(turn.deg - 70.0) < 2 * turn.u_deg


def test_a_lip_without_marks_tells_no_turn() -> None:
    before, now = painted(VIEWS[0], even_wall), painted(VIEWS[1], even_wall)
    assert turn_by_marks(lip_marks(now.rgb, now.frame), lip_marks(before.rgb, before.frame)) is None


def test_a_wick_beside_the_axis_tells_the_turn_and_how_well() -> None:
    turn = turn_by_wick(np.array([6.0, 0.0]), np.array([0.0, 6.0]))  # from 12 to 3 o'clock
    assert turn is not None
    assert turn.deg == pytest.approx(90.0)
    assert 5 < turn.u_deg < 12


@pytest.mark.parametrize(
    ("now", "before"), [((0.5, 0.5), (-0.5, 0.2)), ((9.0, 0.0), (3.0, 0.0))], ids=["at the axis", "it has moved"]
)
def test_a_wick_that_proves_nothing_tells_no_turn(now: tuple[float, float], before: tuple[float, float]) -> None:
    assert turn_by_wick(np.array(now), np.array(before)) is None


def test_witnesses_that_contradict_each_other_tell_no_turn() -> None:
    by_foot, marks = turn_by_wick(np.array([6.0, 0.0]), np.array([0.0, 6.0])), np.random.default_rng(3).normal(size=360)
    assert agreed(by_foot, turn_by_marks(marks, marks)) is None
    turn = agreed(by_foot, turn_by_marks(np.roll(marks, 88), marks))
    assert turn is not None
    assert turn.deg == pytest.approx(88.0)
    assert agreed(by_foot, None) is by_foot
    assert agreed(None, None) is None
