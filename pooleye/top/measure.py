"""A photo from above, measured: find the mouth, its rim, where the phone stood, how deep the wax lies, then the rest.

Reads like the recipe that docs/method-top.md describes. A pure function of pictures and a vessel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.legibility import check_exposure, check_sharpness
from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.optics.ellipse import Ellipse
from pooleye.top.all_round import all_round
from pooleye.top.drift import adrift, least_moved_mm, least_to_wall_mm
from pooleye.top.meant import meant_mouth
from pooleye.top.quantities import foot_parts_mm, numbers
from pooleye.top.rim import mouth_edge
from pooleye.top.scene import Scene, see
from pooleye.top.soot import Soot, find_soot
from pooleye.top.turn import Turn, agreed, turn_by_marks, turn_by_wick
from pooleye.top.wallband import Band, lip_marks, unwrap

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

Array = NDArray[np.float64]

METHOD = "top/1"
SURELY_WALL = 0.8  # of u of the wax's depth, to keep off the wax when soot is looked for
HARDLY_KNOWN = 0.6  # u over depth; 0.76 where anything from the rim down is possible (half a normal distribution)
HARDLY_SHOWN = 0.2  # share of the wall that shows where it is too low for a fade of soot


@dataclass(frozen=True, eq=False)
class Before:
    """The same candle in its baseline photo, and how far the vessel was turned since: by marks alone, and by all."""

    photo: Photo
    scene: Scene
    turn_by_marks: Turn | None
    turn: Turn | None


def measure_top(
    photo: Photo,
    vessel: Vessel,
    *,
    headspace_mm: float | None = None,
    baseline: Photo | None = None,
    baseline_headspace_mm: float | None = None,
) -> PhotoResult:
    """Measures a photo taken from above. What forbids measuring comes back as a declined result."""
    try:
        return _measure(photo, vessel, headspace_mm, baseline, baseline_headspace_mm)[0]
    except Declined as why:
        return PhotoResult.from_declined(photo.path, "top", why, method=METHOD)


def measure_soot_all_round(
    first: Photo,
    second: Photo,
    vessel: Vessel,
    *,
    headspace_mm: float | None = None,
    baseline: Photo | None = None,
    baseline_headspace_mm: float | None = None,
) -> PhotoResult:
    """Soot by the clock of the first photo, with what only the second one shows; declined where either must be."""
    found = []
    for photo in (first, second):
        try:
            found.append(_measure(photo, vessel, headspace_mm, baseline, baseline_headspace_mm))
        except Declined as why:
            return PhotoResult.from_declined(photo.path, "top", why, method=METHOD)
    (result, scene, soot), (other, later, more) = found
    told = [flag for flag in (*result.flags, *other.flags) if flag.startswith(("soot", "baseline", "pose", "focal"))]
    marks = turn_by_marks(lip_marks(second.rgb, later.frame), lip_marks(first.rgb, scene.frame))
    turn = agreed(_turn_by_foot(later, scene), marks)
    both = all_round(soot, more, turn) if soot is not None and more is not None else soot or more
    flags = [flag for flag in told if flag not in ("soot-part-unseen", "soot-unseen")]
    flags += ["turn-unknown"] if turn is None else []
    flags += ["soot-unseen"] if both is None else ["soot-part-unseen"] if both.view_arc_deg < 360 else []
    return PhotoResult.measured(
        f"{first.path} + {second.path}",
        "top",
        method=METHOD,
        quantities={} if both is None else _soot_numbers(both),
        by_clock={} if both is None else {"soot_delta_L": both.by_sector},
        flags=flags,
        outlines_px=Outlines(rim=result.outlines_px.rim),
    )


def _measure(
    photo: Photo,
    vessel: Vessel,
    headspace_mm: float | None,
    baseline: Photo | None,
    baseline_headspace_mm: float | None,
) -> tuple[PhotoResult, Scene, Soot | None]:
    mouth, flags = meant_mouth(photo.rgb)
    flags += _legible(photo.rgb, mouth.ellipse)
    scene, more = see(photo, vessel, mouth_edge(photo.rgb, mouth), headspace_mm)
    quantities, by_clock, most = numbers(scene, vessel, headspace_mm)
    before = None if baseline is None else _see_before(photo, scene, baseline, vessel, baseline_headspace_mm)
    most += ("baseline-unusable",) if baseline is not None and before is None else ()
    most += _adrift(scene, before)
    clean = None if before is None else _wall_band(before.photo, before.scene, _surely_wall_mm(before.scene))
    soot = find_soot(_wall_band(photo, scene, _wall_end_mm(scene)), clean, None if before is None else before.turn)
    result = PhotoResult.measured(
        photo.path,
        "top",
        method=METHOD,
        quantities=quantities | ({} if soot is None else _soot_numbers(soot)),
        by_clock=by_clock | ({} if soot is None else {"soot_delta_L": soot.by_sector}),
        flags=(*flags, *more, *most, *_soot_flags(soot, before)),
        outlines_px=_outlines(scene, photo),
    )
    return result, scene, soot


def _legible(rgb: NDArray[np.uint8], around: Ellipse) -> tuple[str, ...]:
    """Raises Declined where the vessel is too dark, too bright or too blurred; flags where it nearly is."""
    h, w = rgb.shape[:2]
    reach = 1.25 * around.a
    x0, x1 = max(int(around.cx - reach), 0), min(int(around.cx + reach), w)
    y0, y1 = max(int(around.cy - reach), 0), min(int(around.cy + reach), h)
    region = rgb[y0:y1, x0:x1]
    check_exposure(region)
    return check_sharpness(region)


def _adrift(scene: Scene, before: Before | None) -> tuple[str, ...]:
    """What is to be said of a wick at the wall, or one that has moved since the other photo."""
    if not scene.wicks:
        return ()
    feet, u = [wick.foot_mm for wick in scene.wicks], math.hypot(*foot_parts_mm(scene).values())
    to_wall = least_to_wall_mm(feet, scene.frame.inner_radius_mm(scene.depth_mm))
    moved = None
    if before is not None and before.scene.wicks:
        moved = least_moved_mm(feet, [wick.foot_mm for wick in before.scene.wicks], before.turn_by_marks)
        u_before = math.hypot(u, *foot_parts_mm(before.scene).values())
    return adrift((to_wall, u), None if moved is None else (moved, u_before))


def _see_before(
    photo: Photo, scene: Scene, baseline: Photo, vessel: Vessel, headspace_mm: float | None
) -> Before | None:
    """The baseline photo's scene; None where it cannot be measured, which must not cost the photo itself."""
    try:
        mouth, _ = meant_mouth(baseline.rgb)
        before = see(baseline, vessel, mouth_edge(baseline.rgb, mouth), headspace_mm, with_pool=False)[0]
    except Declined:
        return None
    marks = turn_by_marks(lip_marks(photo.rgb, scene.frame), lip_marks(baseline.rgb, before.frame))
    return Before(baseline, before, marks, agreed(_turn_by_foot(scene, before), marks))


def _turn_by_foot(scene: Scene, before: Scene) -> Turn | None:
    """From the only wick; of several, none says how the vessel stands."""
    alone = len(scene.wicks) == 1 and len(before.wicks) == 1
    return turn_by_wick(scene.wicks[0].foot_mm, before.wicks[0].foot_mm) if alone else None


def _soot_flags(soot: Soot | None, before: Before | None) -> tuple[str, ...]:
    flags: tuple[str, ...] = ("turn-unknown",) if before is not None and before.turn is None else ()
    if soot is None:
        return (*flags, "soot-unseen")
    flags += () if soot.compared else ("soot-no-baseline",)
    flags += ("soot-hardly-shown",) if soot.low > HARDLY_SHOWN else ()
    flags += ("soot-part-unseen",) if soot.view_arc_deg < 360 else ()
    return flags


def _surely_wall_mm(scene: Scene) -> float:
    """Down to where, for all that is known of the headspace, the wall is hardly wax."""
    return scene.depth_mm - SURELY_WALL * scene.u_depth_mm


def _wall_end_mm(scene: Scene) -> float:
    """The same; but a depth that may as well be none says nothing, and the wax that is seen alone ends the wall."""
    return math.inf if scene.u_depth_mm > HARDLY_KNOWN * scene.depth_mm else _surely_wall_mm(scene)


def _wall_band(photo: Photo, scene: Scene, end_mm: float) -> Band:
    return unwrap(photo.rgb, scene.close, scene.rim.ellipse, scene.frame, end_mm, scene.flames > 0)


def _soot_numbers(soot: Soot) -> dict[str, Quantity]:
    return {
        "soot_delta_L": Quantity(soot.mean, soot.u_mean, "1"),
        "soot_arc": Quantity(soot.arc_deg, soot.u_arc_deg, "deg"),
        "soot_view_arc": Quantity(soot.view_arc_deg, 10.0, "deg"),
    }


def _outlines(scene: Scene, photo: Photo) -> Outlines:
    """What was found, in pixels of the full photo."""
    rim = scene.rim.ellipse.mapped(photo.scale_px)
    at = -scene.depth_mm
    pool: Array = np.zeros((0, 2))
    if scene.pool is not None and not scene.pool.vague:
        outline = scene.frame.project(np.column_stack([scene.pool.outline_mm, np.full(len(scene.pool.radius_mm), at)]))
        pool = photo.to_full_px(outline)
    wall = photo.to_full_px(scene.frame.wall_circle_px(scene.depth_mm, 120))
    foot = photo.to_full_px(scene.wicks[0].foot_px) if scene.wicks else None
    stub = scene.wicks[0].stub if scene.wicks else None
    tip = None if stub is None else photo.to_full_px(stub.tip_px)
    return Outlines(
        rim={"cx": rim.cx, "cy": rim.cy, "semi_major": rim.a, "semi_minor": rim.b, "angle_deg": rim.angle_deg},
        pool=pool.tolist(),
        wick=None if foot is None else (float(foot[0]), float(foot[1])),
        wall=wall.tolist(),
        wick_tip=None if tip is None else (float(tip[0]), float(tip[1])),
        debris=photo.to_full_px(scene.debris.at_px).tolist(),
    )
