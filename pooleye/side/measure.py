"""One photo from the side: vessel, flame, smoke, wax; top to bottom like a recipe."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.legibility import check_exposure
from pooleye.measurement import Outlines, PhotoResult, Quantity
from pooleye.optics.camera import Camera, camera_for
from pooleye.side.facing import FacingView
from pooleye.side.flame_sizes import GLARE_FLAGS, FlameSizes, Scale, flame_sizes
from pooleye.side.flames import Flames, flames_of
from pooleye.side.locate import Located, vessel_part
from pooleye.side.quantity import quantity
from pooleye.side.sharpness import check_outline_sharpness
from pooleye.side.silhouette import wax_height_mm
from pooleye.side.smoke import HALF_WIDTH_MM, smoke_above
from pooleye.side.vessel import Outside, located_vessel, outside_of
from pooleye.side.wax import RING_SEEN_MM, WaxLines, wax_lines

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

METHOD = "side/1"
Array = NDArray[np.float64]

U_HEADSPACE_MM = 0.5  # judged: a ruler held to the rim, written down to the nearest millimetre
U_WAX_LINE_MM = 0.35  # judged: meniscus and the thickness of the edge
U_DEPTH_LINE_MM = 0.6  # judged: the solid's upper edge is soft
U_WHICH_LINE_MM = 1.5  # judged
U_WICK_PLACE_MM = 2.0  # judged
TOO_OBLIQUE_DEG = 30.0
CLOSE, VAGUE = 0.5, 1.5  # pixels of the maps between the outline in them and in the picture
U_VAGUE_MM, U_VAGUE_DEG = 1.3, 1.0  # judged: of heights and of the roll, at VAGUE


@dataclass(frozen=True, eq=False)
class Scene:
    """What every later step needs: the vessel in the picture, its measures and what is known of its filling."""

    photo: Photo
    vessel: Vessel
    outside: Outside
    located: Located
    pool_mm: float | None

    @cached_property
    def wax_seen_mm(self) -> float | None:
        """How high the network sees wax behind the wall, if any."""
        return None if self.located.maps is None else wax_height_mm(self.located.maps, self.located.pose)

    @property
    def see_through(self) -> bool | None:
        """Whether it sees any; None where it was not asked."""
        return None if self.located.maps is None else self.wax_seen_mm is not None

    @property
    def inner_radius_mm(self) -> Array:
        """At the rim and at the base."""
        rim = self.vessel.rim_inner_mm / 2
        return np.array([rim, self.vessel.base_inner_mm / 2 if self.vessel.base_inner_mm else rim])


def measure_side(photo: Photo, vessel: Vessel, *, headspace_mm: float | None = None) -> PhotoResult:
    """Measures a photo taken from the side; lengths are in mm, the flame's in the plane of the vessel's axis.

    Never raises for what the picture lacks: the result is declined, with a reason.
    """
    try:
        return _measured(photo, vessel, headspace_mm)
    except Declined as why:
        return PhotoResult.from_declined(photo.path, "side", why, method=METHOD)


def _measured(photo: Photo, vessel: Vessel, headspace_mm: float | None) -> PhotoResult:
    return measured_scene(*seen_scene(photo, vessel, headspace_mm))


def seen_scene(photo: Photo, vessel: Vessel, headspace_mm: float | None) -> tuple[Scene, tuple[str, ...]]:
    """The vessel in the picture and the flags its picture earns. Raises Declined where it cannot be measured in."""
    outside = outside_of(vessel)
    camera = _working_camera(photo)
    located, outside = located_vessel(photo.rgb, outside, camera)
    soft = _checked_legible(photo, located)
    pool_mm = None if headspace_mm is None else outside.frustum.height_mm - headspace_mm
    flags = (*outside.flags, *soft, *(("focal-assumed",) if camera.assumed else ()))
    return Scene(photo, vessel, outside, located, pool_mm), flags


def measured_scene(scene: Scene, flags: tuple[str, ...]) -> PhotoResult:
    """Everything the scene shows. Raises Declined (flame-cut-off)."""
    rgb, pose = scene.photo.rgb, scene.located.pose
    flames = flames_of(
        rgb,
        pose,
        float(scene.inner_radius_mm[0]),
        scene.pool_mm,
        scene.located.maps,
        opaque=scene.see_through is False,
    )
    flame_mm = flames.bodies[0].bottom_mm if flames.bodies and not flames.bodies[0].is_glare else None
    wax = _wax_seen(scene, flame_mm)
    quantities, wax_flags = _wax_quantities(scene, wax)
    if not flames.lost or flames.glow:
        quantities["flame_count"] = quantity(len(flames.bodies) + flames.glow, "1", {"count": 0.2})
    outlines = Outlines(rim=_rim_outline(scene), wall=_silhouette(scene, wax))
    flame_flags = list(GLARE_FLAGS) if flames.glow else ["flame-unseen" if flames.lost else "flame-none"]
    if flames.bodies:
        found, outlines, flame_flags = _flame_quantities(scene, flames, wax, outlines)
        quantities |= found
    return PhotoResult.measured(
        scene.photo.path,
        "side",
        method=METHOD,
        quantities=quantities,
        flags=[*flags, *flame_flags, *wax_flags],
        outlines_px=outlines,
    )


def _working_camera(photo: Photo) -> Camera:
    return camera_for(photo.full_size_px, photo.focal_35mm).scaled(1.0 / photo.scale_px)


def _checked_legible(photo: Photo, located: Located) -> tuple[str, ...]:
    """Raises Declined where the vessel's own part of the picture is too dark, burnt out, blurred or seen from above."""
    if located.pose.tilt_deg > TOO_OBLIQUE_DEG:
        raise Declined("too-oblique", hint="Hold the phone level with the candle, at the height of its rim.")
    check_exposure(_vessel_region(photo, located))
    return check_outline_sharpness(photo.rgb, located)


def _vessel_region(photo: Photo, located: Located) -> NDArray[np.uint8]:
    height, width = photo.rgb.shape[:2]
    rows, columns = vessel_part(located.pose, (width, height), 0.06)
    return np.ascontiguousarray(photo.rgb[rows, columns][::3, ::3])


def _wax_seen(scene: Scene, flame_mm: float | None) -> WaxLines | None:
    """The wax lines; none behind a wall through which the network sees no wax."""
    if scene.see_through is False:
        return None
    seen_mm = scene.wax_seen_mm
    return wax_lines(scene.photo.rgb, scene.located.pose, scene.inner_radius_mm, scene.pool_mm, flame_mm, seen_mm)


def _rim_outline(scene: Scene) -> dict[str, float]:
    """The inner rim as an ellipse in full-size pixels, from its projected points."""
    pose, radius = scene.located.pose, float(scene.inner_radius_mm[0])
    azimuth = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    points = scene.photo.to_full_px(pose.poses.circle_px(pose.frustum.height_mm, azimuth, radius)[0])
    return _ellipse_of(points)


def _silhouette(scene: Scene, wax: WaxLines | None) -> list[tuple[float, float]]:
    """Left wall, base, right wall, and the wax line back to the left, in one stroke; full-size pixels, for overlays."""
    pose, shares = scene.located.pose, np.linspace(0.0, 1.0, 12)
    poses, edge = pose.poses, float(pose.poses.outline_azimuth()[0])
    base = poses.circle_px(poses.foot_line_mm()[:, None], np.linspace(-edge, edge, 25))[0]
    strokes = [poses.wall_px(-1, shares[::-1])[0], base, poses.wall_px(1, shares)[0]]
    if wax is not None:
        height = wax.surface.height_mm
        radius = float(np.interp(height, [0.0, pose.frustum.height_mm], scene.inner_radius_mm[::-1]))
        down = np.linspace(1.0, height / pose.frustum.height_mm, 4)
        strokes += [poses.wall_px(1, down)[0], poses.circle_px(height, np.linspace(edge, -edge, 25), radius)[0]]
    return [(float(x), float(y)) for x, y in scene.photo.to_full_px(np.concatenate(strokes))]


def _ellipse_of(points: Array) -> dict[str, float]:
    """Ellipse through exact points of one (general conic by least squares in centred coordinates)."""
    centre, size = points.mean(axis=0), max(float(np.ptp(points, axis=0).max()), 1e-6)
    x, y = ((points - centre) / size).T
    a, b, c, d, e = np.linalg.lstsq(np.stack([x * x, x * y, y * y, x, y], axis=1), np.ones(len(x)), rcond=None)[0]
    shape = np.array([[a, b / 2], [b / 2, c]])
    middle = np.linalg.solve(-2 * shape, [d, e])
    values, axes = np.linalg.eigh(shape / (1 + middle @ shape @ middle))
    lengths = 1 / np.sqrt(np.maximum(values, 1e-12))
    angle = np.degrees(np.arctan2(axes[1, 0], axes[0, 0])) % 180
    cx, cy = centre + size * middle
    return {
        "cx": float(cx),
        "cy": float(cy),
        "semi_major": float(size * lengths[0]),
        "semi_minor": float(size * min(lengths[1], lengths[0])),
        "angle_deg": float(angle),
    }


def _wax_quantities(scene: Scene, wax: WaxLines | None) -> tuple[dict[str, Quantity], list[str]]:
    if wax is None:
        return {}, ["wax-line-unseen"]
    height_u = _height_u_mm(scene, wax.surface.height_mm)
    unknown = _u_line_mm(wax) if scene.pool_mm is None else _u_line_at_pool_mm(wax, scene.pool_mm)
    level = quantity(
        wax.surface.height_mm,
        "mm",
        {
            "line": float(np.hypot(wax.surface.scatter_mm, U_WAX_LINE_MM)),
            "vessel-outline": height_u,
            "vessel-size": scene.outside.u_relative * wax.surface.height_mm,
            "refraction": wax.refraction_mm / 2,
            "which-line": unknown,
        },
    )
    found = {"wax_level": level}
    if wax.solid is None:
        return found, []
    depth_mm = wax.surface.height_mm - wax.solid.height_mm
    scatter = float(np.hypot(wax.surface.scatter_mm, wax.solid.scatter_mm))
    found["pool_depth"] = quantity(
        depth_mm,
        "mm",
        {
            "line": float(np.hypot(scatter, U_DEPTH_LINE_MM)),
            "scale": _scale(scene, 0.0).u_relative * depth_mm,
            "refraction": wax.refraction_mm / 4 + 0.05 * depth_mm,
            "which-line": unknown,
        },
    )
    return found, []


def _u_line_mm(wax: WaxLines) -> float:
    """That the line may be another than the pool's, where the pool's height was not given."""
    return float(np.hypot(U_WHICH_LINE_MM, wax.doubt_mm / 2))


def _u_line_at_pool_mm(wax: WaxLines, pool_mm: float) -> float:
    """That it may be another line though the pool's height was given: one off the pool that the network does not see
    either, or the pool's own where the network sees wax end so much further up or down that there may be a ring."""
    off_pool_mm = abs(wax.surface.height_mm - pool_mm)
    ring_mm = wax.doubt_mm / 2 if wax.doubt_mm > RING_SEEN_MM else 0.0
    return max((min(off_pool_mm, wax.doubt_mm) - 0.5) / 1.5, ring_mm, 0.0)


def _height_u_mm(scene: Scene, height_mm: float) -> float:
    """How uncertain a height above the underside is from the outline: where along the axis the vessel was fitted."""
    mm_per_px = 1.0 / _px_per_mm(scene.located)
    along = float(np.sqrt(scene.located.covariance[1, 1])) * mm_per_px
    return float(np.hypot(np.hypot(along, scene.outside.u_foot_mm), U_VAGUE_MM * _vague(scene.located)))


def _u_pool_mm(scene: Scene) -> float:
    """Of the pool's height at the wick, which may stand before the axis or behind it and then looks lower or higher."""
    depth = U_WICK_PLACE_MM * np.tan(np.radians(abs(scene.located.pose.tilt_deg)))
    return float(np.sqrt(U_HEADSPACE_MM**2 + _height_u_mm(scene, 0.0) ** 2 + depth**2))


def _vague(located: Located) -> float:
    """From 0 where the edges agree with what the network takes for the vessel to 1 where they lie elsewhere, and may be
    lines beside them."""
    return float(np.clip((located.apart - CLOSE) / (VAGUE - CLOSE), 0.0, 1.0))


def _px_per_mm(located: Located) -> float:
    middle = located.pose.frustum.height_mm / 2
    ends = located.pose.axis_px([middle - 0.5, middle + 0.5])
    return float(np.linalg.norm(ends[1] - ends[0]))


def _scale(scene: Scene, aside_mm: float) -> Scale:
    """Relative standard uncertainty of lengths in the facing plane at the flame."""
    distance = float(np.exp(scene.located.pose.vector[2]))
    return Scale(
        outline=float(np.hypot(np.sqrt(scene.located.covariance[2, 2]), 0.004)),
        vessel=scene.outside.u_relative,
        # the wick may stand before or behind the axis by about as much as it stands beside it
        depth=float(np.hypot(U_WICK_PLACE_MM, aside_mm)) / distance,
    )


def _flame_quantities(
    scene: Scene, flames: Flames, wax: WaxLines | None, outlines: Outlines
) -> tuple[dict[str, Quantity], Outlines, list[str]]:
    body = flames.bodies[0]
    sizes = flame_sizes(
        body,
        lip_mm=flames.lip_mm,
        front_lip_mm=flames.front_lip_mm,
        mm_per_px=flames.view.mm_per_px,
        pool_mm=scene.pool_mm,
        u_pool_mm=_u_pool_mm(scene),
        wax_mm=None if wax is None else wax.surface.height_mm,
        u_wax_mm=0.0 if wax is None else _u_line_mm(wax),
        u_lip_mm=_height_u_mm(scene, scene.located.pose.frustum.height_mm),
        see_through=scene.see_through,
        scale=_scale(scene, body.middle_mm),
        u_roll_deg=float(
            np.hypot(np.degrees(np.sqrt(scene.located.covariance[3, 3])), U_VAGUE_DEG * _vague(scene.located))
        ),
    )
    found = dict(sizes.quantities)
    flags = list(sizes.flags)
    if len(flames.bodies) > 1:
        flags.append("second-flame")
    smoke = _smoke_quantity(scene, sizes, flames.lip_mm[1])
    if smoke is None:
        flags.append("smoke-unseen")
    else:
        found["smoke_strength"] = smoke
    points = flames.view.photo_px([sizes.tip_x_mm, sizes.foot_x_mm], np.array([sizes.tip_mm, sizes.shown_foot_mm]))
    tip, base = scene.photo.to_full_px(points)
    return found, replace(outlines, flame_tip=(tip[0], tip[1]), flame_base=(base[0], base[1])), flags


def _smoke_quantity(scene: Scene, sizes: FlameSizes, rim_mm: float) -> Quantity | None:
    low, high = sizes.tip_mm - 2.0, max(sizes.tip_mm, rim_mm) + 60.0
    view = FacingView.of(scene.photo.rgb, scene.located.pose, HALF_WIDTH_MM + abs(sizes.tip_x_mm), low, high)
    smoke = smoke_above(view, sizes.tip_x_mm, sizes.tip_mm, rim_mm)
    if smoke is None:
        return None
    return quantity(smoke.strength, "1", {"background": smoke.u_background, "model": smoke.u_model})
