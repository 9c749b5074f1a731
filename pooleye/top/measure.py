"""A photo from above, measured: find the mouth, its rim, where the phone stood, how deep the wax lies, then the rest.

Reads like the recipe that docs/method-top.md describes. A pure function of pictures and a vessel.
"""

from __future__ import annotations

import math
from dataclasses import astuple, dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.legibility import check_exposure, check_sharpness
from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.optics import polygon
from pooleye.optics.camera import Camera, camera_for
from pooleye.optics.circle_pose import circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.all_round import all_round
from pooleye.top.closeup import Closeup, look_close
from pooleye.top.debris import Debris, find_debris
from pooleye.top.drift import AT_WALL_MM, MOVED_MM, least_moved_mm, least_to_wall_mm
from pooleye.top.locate import choose_mouth, find_mouths
from pooleye.top.pool import Pool, by_sector, find_pool, hangup_by_azimuth, moved
from pooleye.top.pose import Standing, camera_by_wax, lip_drop_mm, liquid_share, stand, vessel_frame
from pooleye.top.refine import settle_on_wax
from pooleye.top.rim import MouthEdge, Rim, choose_rim, mouth_edge, ray_directions, wax_edge_px
from pooleye.top.soot import Soot, find_soot
from pooleye.top.turn import Turn, agreed, turn_by_marks, turn_by_wick
from pooleye.top.wallband import Band, lip_marks, unwrap
from pooleye.top.wick import Wick, ball_diameter_mm, count_flames, find_wicks, with_stubs

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

Array = NDArray[np.float64]

METHOD = "top/1"
LEAST_WAX = 0.12  # share of the mouth that must be wax for it to be a candle
REFINE = 0.03  # a chosen rim this far from the close look's, in rim radii, is worth a new look
GIVEN_HEADSPACE_U_MM = 0.5  # a ruler held into a jar, read to the millimetre (judged)
RING_MM = {"solid": (0.0, 0.3), "liquid": (0.0, 0.3), "both": (1.6, 1.6), "deep": (5.0, 5.0)}
"""How far the wax line at the wall stands above the pool, and its u: nothing where all is solid or all liquid; a ring
one or two millimetres high round a pool; a pit of unknown depth where the wick tunnels (common practice, no source)."""
SURE_OVERLAP, DOUBT_MM = 0.975, 150.0  # wax explained less well: so many mm of u for each unit of overlap less
TUNNEL = 0.48  # share of liquid in the wax below which the pool may lie in a pit
EDGE_U_MM, EDGE_U_PX = 0.25, 0.9  # the net's edge as a whole, in mm and in the close look's pixels
HIDDEN_U = 0.5  # of the hang-up's own width, where the near rim hides it
MOSTLY_FREE, FULL_REACH = 0.6, 0.55  # share of free edge below which it may be full; how much of that u then covers
FULL_U_MM = 0.35  # a film of solid wax at the wall thinner than this would not be seen
WICK_U_MM = {"seen": 0.6, "hidden": 1.3}
SURELY_WALL = 0.5  # of u of the wax's depth, to keep off the wax when soot is looked for
HARDLY_SHOWN = 0.2  # share of the wall that shows where it is too low for a fade of soot
HEIGHT_U, TILT_U_DEG = 0.006, 0.5


@dataclass(frozen=True, eq=False)
class Scene:
    """All that was found in one photo, before it becomes numbers."""

    rim: Rim
    close: Closeup
    camera: Camera
    frame: VesselFrame
    depth_mm: float  # rim circle to the pool plane
    u_depth_mm: float
    headspace_mm: float
    pool: Pool | None
    wicks: list[Wick]
    flames: int

    @cached_property
    def debris(self) -> Debris:
        """What lies on the wax."""
        return find_debris(self.close, self.wicks, self.frame, self.depth_mm)


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
    mouth, flags = choose_mouth(find_mouths(photo.rgb))
    flags += _legible(photo.rgb, mouth.ellipse)
    scene, more = _see(photo, vessel, mouth_edge(photo.rgb, mouth), headspace_mm)
    quantities, by_clock, most = _numbers(scene, vessel, headspace_mm)
    before = None if baseline is None else _see_before(photo, scene, baseline, vessel, baseline_headspace_mm)
    most += ("baseline-unusable",) if baseline is not None and before is None else ()
    most += _adrift(scene, before)
    clean = None if before is None else _wall_band(before.photo, before.scene)
    soot = find_soot(_wall_band(photo, scene), clean, None if before is None else before.turn)
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


def _see(photo: Photo, vessel: Vessel, edge: MouthEdge, headspace_mm: float | None) -> tuple[Scene, tuple[str, ...]]:
    """Rim, pose, depth and what lies in the vessel; looks again when the rim turns out elsewhere than guessed."""
    camera = camera_for(photo.full_size_px, photo.focal_35mm).scaled(1 / photo.scale_px)
    if edge.close.wax_share < LEAST_WAX:
        raise Declined("no-candle")
    rim = choose_rim(photo.rgb, edge, camera, vessel, headspace_mm)
    close = edge.close
    standing = rim.standing
    if float(np.abs(edge.ellipse.radial_residuals(rim.ellipse.points(36))).max()) > REFINE * rim.ellipse.a:
        close = look_close(photo.rgb, rim.ellipse)
        standing = stand(
            rim.ellipse, close, camera, vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm, headspace_mm
        )
    if camera.assumed and headspace_mm is not None:
        sizes = (vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm)
        camera = camera_by_wax(rim.ellipse, close, camera, *sizes, headspace_mm)
        standing = stand(rim.ellipse, close, camera, *sizes, headspace_mm)
    standing = _settled(standing, rim, close)
    depth, u_depth, flags = _depth(standing, close, vessel, headspace_mm)
    frame = standing.frame
    pool = find_pool(close, rim.ellipse, frame, depth)
    wicks, flames = find_wicks(close, rim.ellipse, frame, depth), count_flames(close)
    if not wicks and not flames:
        raise Declined("no-candle")  # something round, perhaps full of something liquid, but nothing that can burn
    if not flames:
        wicks = with_stubs(wicks, photo.rgb, frame, depth)
    flags += ("pose-ambiguous",) if standing.rival is not None else ()
    flags += ("focal-assumed",) if camera.assumed else ()
    flags += ("taper-unused",) if vessel.base_inner_mm is not None and vessel.height_mm is None else ()
    found = replace(rim, standing=standing)
    drop, _ = lip_drop_mm(vessel.rim_inner_mm)
    scene = Scene(found, close, camera, frame, depth, u_depth, depth + drop, pool, wicks, flames)
    return scene, flags


def _settled(standing: Standing, rim: Rim, close: Closeup) -> Standing:
    """The pose settled on rim and wax line together, where the wax line is seen."""
    line = standing.wax_line
    wax_px = wax_edge_px(close)
    frame = settle_on_wax(standing.frame, rim.ellipse, rim.u_relative, wax_px, line.depth_mm, line.u_depth_mm)
    return standing if frame is None else replace(standing, frame=frame)


def _depth(
    standing: Standing, close: Closeup, vessel: Vessel, headspace_mm: float | None
) -> tuple[float, float, tuple[str, ...]]:
    """Depth of the pool plane below the rim circle, its u, and flags: from the log, else from the wax line seen."""
    drop, u_drop = lip_drop_mm(vessel.rim_inner_mm)
    if headspace_mm is not None:
        return max(headspace_mm - drop, 0.3), float(np.hypot(GIVEN_HEADSPACE_U_MM, u_drop)), ()
    share = liquid_share(close)
    kind = "solid" if share < 0.01 else "liquid" if share > 0.9 else "deep" if share < TUNNEL else "both"
    ring, u_ring = RING_MM[kind]
    line = standing.wax_line
    u_line = max(line.u_depth_mm, 0.006 * vessel.rim_inner_mm / max(np.tan(np.radians(_sight_deg(standing))), 0.12))
    u_line += DOUBT_MM * max(SURE_OVERLAP - line.overlap, 0.0)
    flags = ("headspace-estimated",) if u_line < 5 else ("headspace-unseen",)
    return line.depth_mm + ring, float(np.hypot(u_line, u_ring)), flags


def _sight_deg(standing: Standing) -> float:
    """Angle from the vessel's axis at which the far wall is seen: the larger, the more a depth shows."""
    pose = standing.frame.pose
    return float(np.degrees(np.arctan(standing.frame.rim_radius_mm / pose.height_mm)) + pose.tilt_deg)


def _numbers(
    scene: Scene, vessel: Vessel, headspace_mm: float | None
) -> tuple[dict[str, Quantity], dict[str, list[float | None]], tuple[str, ...]]:
    """Every quantity the scene supports, by clock too, and the flags of those it does not."""
    quantities = _pose_quantities(scene)
    if headspace_mm is None:
        drop = lip_drop_mm(vessel.rim_inner_mm)
        quantities["headspace"] = Quantity(scene.headspace_mm, float(np.hypot(scene.u_depth_mm, drop[1])), "mm")
    by_clock: dict[str, list[float | None]] = {}
    flags: tuple[str, ...] = ()
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


def _pool_could_hide(scene: Scene) -> bool:
    """Whether wax without any edge in it may be liquid all over: where a flame burns, or a carbon ball tells that one
    has just burnt, "no edge" is no proof of "no pool"."""
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
    # an ellipse b / a = cos(tilt): an error e of the axes tilts by e / sin(tilt), and by sqrt(2 e) when square on
    lean = np.radians(max(pose.tilt_deg, 3.0))
    tilt = {
        "rim": float(np.degrees(rim.u_relative / np.sin(lean))),
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


@dataclass(frozen=True)
class _PoolNumbers:
    diameter: float
    narrowest: float
    widest: float
    offset: float
    coverage: float
    hangup_mean: float
    hangup_max: float

    def toward(self, other: _PoolNumbers, share: float) -> _PoolNumbers:
        """Part of the way to other numbers."""
        mine, theirs = astuple(self), astuple(other)
        return _PoolNumbers(*(a + share * (b - a) for a, b in zip(mine, theirs, strict=True)))


def _numbers_of(outline_mm: Array, radius_mm: float) -> _PoolNumbers:
    narrowest, widest = polygon.feret_diameters(outline_mm)
    hangup = hangup_by_azimuth(outline_mm, radius_mm)
    area = polygon.area(outline_mm)
    return _PoolNumbers(
        2 * float(np.sqrt(area / np.pi)),
        narrowest,
        widest,
        float(np.hypot(*polygon.centroid(outline_mm))),
        min(area / (np.pi * radius_mm**2), 1.0),
        float(hangup.mean()),
        float(hangup.max()),
    )


def _pool_quantities(scene: Scene, pool: Pool) -> tuple[dict[str, Quantity], list[float]]:
    radius = scene.frame.inner_radius_mm(scene.depth_mm)
    here = _numbers_of(pool.outline_mm, radius)
    causes = _causes(scene, pool, here, radius)
    full = float((~pool.free).mean())
    # one edge error all round: diameters feel it twice, the hang-up once; where the pool reaches the wall, not at all
    edge = float(np.hypot(EDGE_U_MM, EDGE_U_PX * scene.frame.rim_radius_mm / scene.close.px_per_radius))
    edge = edge * (1 - 0.7 * full) + 0.25 * float(np.median(pool.width_mm)) * (1 - full)
    film = FULL_U_MM * full
    hidden = HIDDEN_U * pool.hidden_share * max(here.hangup_mean, 1.0)

    def quantity(name: str, unit: str, share: float, least: float, scale: float = 1.0) -> Quantity:
        parts = {cause: scale * abs(getattr(other, name) - getattr(here, name)) for cause, other in causes.items()}
        parts |= {"edge": share * edge, "film at the wall": share * film, "hidden": share * hidden}
        return Quantity.from_parts(scale * getattr(here, name), unit, parts | {"outline": least})

    diameter = quantity("diameter", "mm", 1.4, 0.1)
    area = np.pi / 4 * diameter.value**2
    per_mm = 2 * here.coverage / max(here.diameter, 1.0)
    coverage = {name: u * per_mm for name, u in diameter.parts if name not in ("rim", "focal", "headspace")}
    coverage |= {cause: abs(other.coverage - here.coverage) for cause, other in causes.items()}
    hangup = by_sector(hangup_by_azimuth(pool.outline_mm, radius), scene.frame)
    return {
        "pool_diameter": diameter,
        "pool_diameter_min": quantity("narrowest", "mm", 1.4, 0.4),
        "pool_diameter_max": quantity("widest", "mm", 1.4, 0.4),
        "pool_area": Quantity(area, 2 * area * diameter.u / diameter.value, "mm2"),
        "pool_coverage": Quantity.from_parts(here.coverage, "1", coverage | {"outline": 0.004}),
        "pool_offset": quantity("offset", "mm", 0.6, 0.25),
        "hangup_mean": quantity("hangup_mean", "mm", 0.9, 0.1),
        "hangup_max": quantity("hangup_max", "mm", 1.2, 0.5),
    }, hangup


def _causes(scene: Scene, pool: Pool, here: _PoolNumbers, radius: float) -> dict[str, _PoolNumbers]:
    """The pool's numbers if one cause at a time were one standard uncertainty off."""
    deeper = scene.depth_mm + scene.u_depth_mm
    outcomes = {
        "headspace": _numbers_of(moved(pool, scene.frame, scene.frame, deeper), scene.frame.inner_radius_mm(deeper))
    }
    camera = scene.camera.with_focal(scene.camera.f_px + scene.camera.u_f_px)
    outcomes["focal"] = _reframed(scene, pool, scene.rim.ellipse, camera)
    rim = scene.rim.ellipse
    grown = Ellipse(
        rim.cx, rim.cy, rim.a * (1 + scene.rim.u_relative), rim.b * (1 + scene.rim.u_relative), rim.angle_rad
    )
    outcomes["rim"] = _reframed(scene, pool, grown, scene.camera)
    shift = 0.7 * scene.rim.u_relative * rim.a
    outcomes["rim place"] = _reframed(
        scene, pool, Ellipse(rim.cx + shift, rim.cy + shift, rim.a, rim.b, rim.angle_rad), scene.camera
    )
    doubt = _doubt(pool)
    if doubt > 0:
        full = _numbers_of(radius * ray_directions(), radius)
        outcomes["perhaps full"] = here.toward(full, FULL_REACH * doubt)
    rival = scene.rim.standing.rival
    if rival is not None:
        other = _numbers_of(moved(pool, scene.frame, rival, scene.depth_mm), radius)
        outcomes["pose-ambiguous"] = other
    return outcomes


def _reframed(scene: Scene, pool: Pool, rim: Ellipse, camera: Camera) -> _PoolNumbers:
    poses = circle_poses(rim, scene.frame.rim_radius_mm, camera)
    pose = max(poses, key=lambda p: float(p.normal @ scene.frame.pose.normal))
    base = scene.frame.base_inner_radius_mm
    other = vessel_frame(
        pose, camera, 2 * scene.frame.rim_radius_mm, None if base is None else 2 * base, scene.frame.height_mm
    )
    return _numbers_of(moved(pool, scene.frame, other, scene.depth_mm), other.inner_radius_mm(scene.depth_mm))


def _wick_quantities(scene: Scene) -> tuple[dict[str, Quantity], tuple[str, ...]]:
    flames = scene.flames
    quantities = {"flame_count": Quantity(float(flames), 0.1 if flames < 2 else 0.3, "1")}
    if not scene.wicks:
        return quantities, ("wick-unseen",)
    quantities["wick_count"] = Quantity(float(len(scene.wicks)), 0.1 if len(scene.wicks) < 2 else 0.3, "1")
    first = scene.wicks[0]
    flags: tuple[str, ...] = ("several-wicks",) if len(scene.wicks) > 1 else ()
    if len(scene.wicks) == 1:
        quantities["wick_offset"] = Quantity.from_parts(float(np.hypot(*first.foot_mm)), "mm", _foot_parts_mm(scene))
        if first.stub is not None:
            quantities["wick_lean"] = Quantity(first.stub.lean_deg, first.stub.u_lean_deg, "deg")
    flags += ("flame-hides-wick",) if flames else ()
    ball = ball_diameter_mm(scene.close, scene.frame, scene.depth_mm)
    if ball is not None:
        quantities["carbon_ball_diameter"] = Quantity(ball, 0.5 + 0.15 * ball, "mm")
    return quantities, flags


def _foot_parts_mm(scene: Scene) -> dict[str, float]:
    """What the place of the surest wick's foot is uncertain by."""
    see = WICK_U_MM["hidden" if scene.flames else "seen"]
    return {
        "foot": see * max(scene.frame.rim_radius_mm / 38.0, 0.6) / max(scene.wicks[0].sure, 0.3) * 0.8,
        "rim": scene.rim.u_relative * scene.frame.rim_radius_mm,
        "headspace": scene.u_depth_mm * float(np.tan(np.radians(scene.frame.pose.tilt_deg))),
    }


def _adrift(scene: Scene, before: Before | None) -> tuple[str, ...]:
    """The stop for a wick that stands at the wall, or has moved since the other photo, by more than 2u."""
    if not scene.wicks:
        return ()
    feet, u = [wick.foot_mm for wick in scene.wicks], math.hypot(*_foot_parts_mm(scene).values())
    at_wall = least_to_wall_mm(feet, scene.frame.inner_radius_mm(scene.depth_mm)) + 2 * u < AT_WALL_MM
    moved = None
    if before is not None and before.scene.wicks:
        moved = least_moved_mm(feet, [wick.foot_mm for wick in before.scene.wicks], before.turn_by_marks)
        u = math.hypot(u, *_foot_parts_mm(before.scene).values())
    return ("wick-adrift",) if at_wall or (moved is not None and moved - 2 * u > MOVED_MM) else ()


def _see_before(
    photo: Photo, scene: Scene, baseline: Photo, vessel: Vessel, headspace_mm: float | None
) -> Before | None:
    """The baseline photo's scene; None where it cannot be measured, which must not cost the photo itself."""
    try:
        mouth, _ = choose_mouth(find_mouths(baseline.rgb))
        before = _see(baseline, vessel, mouth_edge(baseline.rgb, mouth), headspace_mm)[0]
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


def _wall_band(photo: Photo, scene: Scene) -> Band:
    """The wall down to where, for all that is known of the headspace, it is hardly wax."""
    wax_line = scene.depth_mm - SURELY_WALL * scene.u_depth_mm
    return unwrap(photo.rgb, scene.close, scene.rim.ellipse, scene.frame, wax_line, scene.flames > 0)


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
    pool: list[tuple[float, float]] = []
    if scene.pool is not None and not scene.pool.vague:
        outline = scene.frame.project(np.column_stack([scene.pool.outline_mm, np.full(len(scene.pool.radius_mm), at)]))
        pool = [(float(x), float(y)) for x, y in photo.to_full_px(outline)]
    wall = photo.to_full_px(scene.frame.wall_circle_px(scene.depth_mm, 120))
    foot = photo.to_full_px(scene.wicks[0].foot_px) if scene.wicks else None
    stub = scene.wicks[0].stub if scene.wicks else None
    tip = None if stub is None else photo.to_full_px(stub.tip_px)
    return Outlines(
        rim={"cx": rim.cx, "cy": rim.cy, "semi_major": rim.a, "semi_minor": rim.b, "angle_deg": rim.angle_deg},
        pool=pool,
        wick=None if foot is None else (float(foot[0]), float(foot[1])),
        wall=[(float(x), float(y)) for x, y in wall],
        wick_tip=None if tip is None else (float(tip[0]), float(tip[1])),
        debris=[(float(x), float(y)) for x, y in photo.to_full_px(scene.debris.at_px)],
    )
