"""From a scene to quantities, each with its uncertainty made of named parts (GUM, JCGM 100:2008)."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pooleye.measurement import Quantity
from pooleye.optics import polygon
from pooleye.optics.circle_pose import CirclePose, many_circle_poses
from pooleye.optics.planes import VesselFrame
from pooleye.top.curves import RAY_DIRECTIONS
from pooleye.top.pool import AZIMUTHS, Pool, by_sector, hangup_by_azimuth, moved
from pooleye.top.pose import lip_drop_mm
from pooleye.top.scene import Scene
from pooleye.top.wick import ball_diameter_mm

if TYPE_CHECKING:
    from pooleye.measuring import Vessel

Array = NDArray[np.float64]

EDGE_U_MM, EDGE_U_PX = 0.25, 0.9  # the net's edge as a whole, in mm and in the close look's pixels
HIDDEN_U = 0.5  # of the hang-up's own width, where the near rim hides it
MOSTLY_FREE, FULL_REACH = 0.6, 0.55  # share of free edge below which it may be full; how much of that u then covers
MOST_BLOWN = 0.2  # share of the wax; 0.07 and less in 150 photos exposed for it
COARSE = 3
MIRROR_REACH = 0.36
"""Share of the difference to the edge as it seemed, where that was taken for a mirror image: of 20 such edges 3 were
edges, and what is true in 15 of 100 cases has the standard deviation sqrt(0.15 * 0.85) (Bernoulli)."""
FULL_U_MM = 0.35  # a film of solid wax at the wall thinner than this would not be seen
WICK_U_MM = {"seen": 0.42, "hidden": 0.9}
HEIGHT_U, TILT_U_DEG = 0.006, 0.35
SAYS_NOTHING = {"tilt": (15.0, 0.0), "camera_height": (0.0, 0.3)}
"""u, and u over value, from which a quantity is left out. Judged: photos are declined beyond 32 degrees and most are
taken from 200 to 500 mm; what may lie anywhere in that has u = 9 degrees and 25 % (GUM 4.3.7)."""


def numbers(
    scene: Scene, vessel: Vessel, headspace_mm: float | None
) -> tuple[dict[str, Quantity], dict[str, list[float | None]], tuple[str, ...]]:
    """Every quantity the scene supports, by clock too, and the flags of those it does not."""
    quantities, flags = _telling(_pose_quantities(scene))
    if headspace_mm is None:
        drop = lip_drop_mm(vessel.rim_inner_mm)
        quantities["headspace"] = Quantity(scene.headspace_mm, float(np.hypot(scene.u_depth_mm, drop[1])), "mm")
    by_clock: dict[str, list[float | None]] = {}
    if scene.pool is None and _pool_could_hide(scene):
        flags += ("pool-unmeasured",)
    elif scene.pool is None:
        quantities["pool_coverage"] = Quantity(0.0, 0.01, "1", (("boundary", 0.01),))
        flags += ("pool-none",)
    elif scene.pool.vague:
        flags += ("pool-unmeasured",)
    else:
        pool_numbers, hangup = _pool_quantities(scene, scene.pool)
        quantities |= pool_numbers
        by_clock["hangup_width"] = list(hangup)
        flags += ("pool-edge-hidden",) if scene.pool.hidden_share > 0.03 else ()
        flags += ("pool-uncertain",) if _doubt(scene.pool) > 0 else ()
    wick_numbers, wick_flags = _wick_quantities(scene)
    debris = {"debris_count": Quantity(float(scene.debris.count), scene.debris.u_count, "1")}
    flags += ("debris-seen",) if scene.debris.count else ()
    return quantities | wick_numbers | debris, by_clock, flags + wick_flags


def _telling(found: dict[str, Quantity]) -> tuple[dict[str, Quantity], tuple[str, ...]]:
    """Without those whose u says nothing, and the flag for that."""
    limit = {name: flat + share * found[name].value for name, (flat, share) in SAYS_NOTHING.items()}
    telling = {name: one for name, one in found.items() if one.u < limit[name]}
    return telling, () if len(telling) == len(found) else ("camera-unsure",)


def _pool_could_hide(scene: Scene) -> bool:
    """Whether wax without any edge in it may be liquid all over: where a flame burns, a carbon ball tells that one has
    just burnt, or the wax is too bright for an edge to show, "no edge" is no proof of "no pool"."""
    if scene.close.blown_share > MOST_BLOWN:
        return True
    ball = ball_diameter_mm(scene.close, scene.frame, scene.depth_mm)
    return scene.flames > 0 or ball is None or ball > 0


def _pose_quantities(scene: Scene) -> dict[str, Quantity]:
    pose, rim = scene.frame.pose, scene.rim
    focal = scene.camera.u_f_px / scene.camera.f_px
    height = {
        "rim": rim.u_relative * pose.height_mm,
        "focal": focal * pose.height_mm,
        "pose": HEIGHT_U * pose.height_mm,
    }
    # an ellipse b / a = cos(tilt): of axes wrong by e, the square of the tilt is wrong by 2 e, to either side
    lean = np.radians(pose.tilt_deg)
    either = np.sqrt(np.maximum(lean**2 + 2 * rim.u_relative * np.array([1.0, -1.0]), 0.0)) - lean
    by_rim = float(np.sqrt(np.mean(either**2)))
    settled = rim.standing.u_tilt_rad
    tilt = {
        "rim": float(np.degrees(by_rim if settled is None else min(settled, by_rim))),
        "focal": 0.3 * focal * pose.tilt_deg,
        "pose": TILT_U_DEG,
    }
    if scene.rim.standing.rival is not None:
        tilt["pose-ambiguous"] = abs(scene.rim.standing.rival.pose.tilt_deg - pose.tilt_deg)
    return {
        "camera_height": Quantity.from_parts(pose.height_mm + _drop(scene), "mm", height),
        "tilt": Quantity.from_parts(pose.tilt_deg, "deg", tilt),
    }


def _drop(scene: Scene) -> float:
    """The rim plane lies above the rim circle, and so nearer to the lens."""
    return -(scene.headspace_mm - scene.depth_mm)


def _doubt(pool: Pool) -> float:
    """0..1: how far a pool may in truth be full. Where it meets the wall most of the way round, the short edge that is
    left may as well be the shadow of the rim on a pool that is liquid all over."""
    free = float(pool.free.mean())
    return float(np.clip((MOSTLY_FREE - free) / 0.15, 0.0, 1.0)) if free > 0 else 0.0


class _PoolNumbers(NamedTuple):
    diameter: float
    narrowest: float
    widest: float
    offset: float
    coverage: float
    hangup_mean: float
    hangup_max: float


def _numbers_of(outlines_mm: Array, radii_mm: Array, hangup_mm: Array) -> list[_PoolNumbers]:
    """Of outlines (K, N, 2) in walls (K,), with the hang-up (K, n) between."""
    offset = polygon.centroid(outlines_mm)
    columns = [
        polygon.equivalent_diameter(outlines_mm),
        *np.transpose([polygon.feret_diameters(outline) for outline in outlines_mm]),
        np.hypot(offset[:, 0], offset[:, 1]),
        np.minimum(polygon.area(outlines_mm) / (np.pi * radii_mm**2), 1.0),
        hangup_mm.mean(1),
        hangup_mm.max(1),
    ]
    return [_PoolNumbers(*row) for row in np.transpose(columns).tolist()]


def _pool_quantities(scene: Scene, pool: Pool) -> tuple[dict[str, Quantity], list[float]]:
    radius = scene.frame.inner_radius_mm(scene.depth_mm)
    hangup = hangup_by_azimuth(pool.outline_mm, radius)
    (here,) = _numbers_of(pool.outline_mm[None], np.array([radius]), hangup[None])
    changes = _changes(scene, pool, radius)
    full = float((~pool.free).mean())
    # one edge error all round: diameters feel it twice, the hang-up once; where the pool reaches the wall, not at all
    edge = float(np.hypot(EDGE_U_MM, EDGE_U_PX * scene.frame.rim_radius_mm / scene.close.px_per_radius))
    edge = edge * (1 - 0.7 * full) + 0.25 * float(np.median(pool.width_mm)) * (1 - full)
    film = FULL_U_MM * full
    hidden = HIDDEN_U * pool.hidden_share * max(here.hangup_mean, 1.0)

    def quantity(name: str, unit: str, share: float, least: float, scale: float = 1.0) -> Quantity:
        parts = {cause: scale * abs(getattr(change, name)) for cause, change in changes.items()}
        parts |= {"edge": share * edge, "film at the wall": share * film, "hidden": share * hidden}
        return Quantity.from_parts(scale * getattr(here, name), unit, parts | {"outline": least})

    diameter = quantity("diameter", "mm", 1.4, 0.1)
    area = np.pi / 4 * diameter.value**2
    per_mm = 2 * here.coverage / max(here.diameter, 1.0)
    coverage = {name: u * per_mm for name, u in diameter.parts if name not in ("rim", "focal", "headspace")}
    coverage |= {cause: abs(change.coverage) for cause, change in changes.items()}
    return {
        "pool_diameter": diameter,
        "pool_diameter_min": quantity("narrowest", "mm", 1.4, 0.4),
        "pool_diameter_max": quantity("widest", "mm", 1.4, 0.4),
        "pool_area": Quantity(area, 2 * area * diameter.u / diameter.value, "mm2"),
        "pool_coverage": Quantity.from_parts(here.coverage, "1", coverage | {"outline": 0.004}),
        "pool_offset": quantity("offset", "mm", 0.6, 0.25),
        "hangup_mean": quantity("hangup_mean", "mm", 0.9, 0.1),
        "hangup_max": quantity("hangup_max", "mm", 1.2, 0.5),
    }, by_sector(hangup, scene.frame)


def _changes(scene: Scene, pool: Pool, radius: float) -> dict[str, _PoolNumbers]:
    """By how much the pool's numbers would change if one cause at a time were one standard uncertainty off; told by
    every so many-th ray of the outline."""
    others = {"headspace": (scene.frame, scene.depth_mm + scene.u_depth_mm)}
    others |= {cause: (frame, scene.depth_mm) for cause, frame in _other_frames(scene).items()}
    outlines, radii = moved(pool, scene.frame, list(others.values()), COARSE)
    as_is = np.stack([pool.outline_mm[::COARSE], radius * RAY_DIRECTIONS[::COARSE]])
    outlines, radii = np.concatenate([as_is, outlines]), np.concatenate([[radius, radius], radii])
    here, full, *there = _numbers_of(outlines, radii, hangup_by_azimuth(outlines, radii, AZIMUTHS // COARSE))
    changes = {cause: _change(here, other, 1.0) for cause, other in zip(others, there, strict=True)}
    doubt = _doubt(pool)
    if doubt > 0:
        changes["perhaps full"] = _change(here, full, FULL_REACH * doubt)
    if pool.seen_mm is not None:
        outline = replace(pool, radius_mm=pool.seen_mm).outline_mm[None, ::COARSE]
        one = np.array([radius])
        (seen,) = _numbers_of(outline, one, hangup_by_azimuth(outline, one, AZIMUTHS // COARSE))
        changes["mirror image"] = _change(here, seen, MIRROR_REACH)
    return changes


def _change(here: _PoolNumbers, there: _PoolNumbers, share: float) -> _PoolNumbers:
    """That share of the differences."""
    return _PoolNumbers(*(share * (b - a) for a, b in zip(here, there, strict=True)))


def _other_frames(scene: Scene) -> dict[str, VesselFrame]:
    """Where the vessel would stand if focal length, size or place of the rim were one standard uncertainty off; and the
    pose that could not be excluded."""
    frame, rim, u_rim = scene.frame, scene.rim.ellipse.vector(), scene.rim.u_relative
    shift = 0.7 * u_rim * scene.rim.ellipse.a * np.array([1.0, 1.0, 0.0, 0.0, 0.0])
    grown = rim * np.array([1.0, 1.0, 1 + u_rim, 1 + u_rim, 1 + u_rim])
    focals = scene.camera.f_px + np.array([scene.camera.u_f_px, 0.0, 0.0])
    poses = many_circle_poses(np.stack([rim, grown, rim + shift]), frame.rim_radius_mm, focals, scene.camera)
    frames = {}
    for cause, f_px, centres, normals in zip(("focal", "rim", "rim place"), focals, *poses, strict=True):
        k = int(np.argmax(normals @ frame.pose.normal))
        frames[cause] = replace(frame, pose=CirclePose(centres[k], normals[k]), camera=scene.camera.with_focal(f_px))
    rival = scene.rim.standing.rival
    return frames if rival is None else frames | {"pose-ambiguous": rival}


def _wick_quantities(scene: Scene) -> tuple[dict[str, Quantity], tuple[str, ...]]:
    flames = scene.flames
    quantities = {"flame_count": Quantity(float(flames), 0.1 if flames < 2 else 0.3, "1")}
    if not scene.wicks:
        return quantities, ("wick-unseen",)
    quantities["wick_count"] = Quantity(float(len(scene.wicks)), 0.1 if len(scene.wicks) < 2 else 0.3, "1")
    first = scene.wicks[0]
    flags: tuple[str, ...] = ("several-wicks",) if len(scene.wicks) > 1 else ()
    if len(scene.wicks) == 1:
        quantities["wick_offset"] = Quantity.from_parts(float(np.hypot(*first.foot_mm)), "mm", foot_parts_mm(scene))
        if first.stub is not None:
            quantities["wick_lean"] = Quantity(first.stub.lean_deg, first.stub.u_lean_deg, "deg")
    flags += ("flame-hides-wick",) if flames else ()
    ball = ball_diameter_mm(scene.close, scene.frame, scene.depth_mm)
    if ball is not None:
        quantities["carbon_ball_diameter"] = Quantity(ball, 0.7 + 0.2 * ball, "mm")
    return quantities, flags


def foot_parts_mm(scene: Scene) -> dict[str, float]:
    """What the place of the surest wick's foot is uncertain by."""
    see = WICK_U_MM["hidden" if scene.flames else "seen"]
    return {
        "foot": see * max(scene.frame.rim_radius_mm / 38.0, 0.6) / max(scene.wicks[0].sure, 0.3) * 0.8,
        "rim": scene.rim.u_relative * scene.frame.rim_radius_mm,
        "headspace": scene.u_depth_mm * float(np.tan(np.radians(scene.frame.pose.tilt_deg))),
    }
