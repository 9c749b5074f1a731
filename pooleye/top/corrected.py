"""Rim and pool as a person drew them: the same numbers from the same steps, with the hand's own uncertainty.

Where the tool took another circle for the rim, or a reflection for the pool's edge, a person sees better. What a person
does not see, the pose and the depth of the wax, still comes from the picture and the log.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.measurement import Outlines, PhotoResult, PointPx, Quantity
from pooleye.optics import polygon
from pooleye.optics.camera import camera_for
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import look_close
from pooleye.top.curves import RAY_DIRECTIONS, RAYS
from pooleye.top.pool import AT_WALL_MM, Pool, drawn_inside, to_circle
from pooleye.top.pose import camera_by_wax, lip_drop_mm, stand
from pooleye.top.quantities import numbers
from pooleye.top.rim import Rim
from pooleye.top.scene import Scene, settled, wax_depth
from pooleye.top.wick import count_flames, find_wicks

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

Array = NDArray[np.float64]

METHOD = "drawn/1"
# Judged: how far a person's idea of an edge lies from the edge, beside the trembling of the hand, in mm.
EYE_U_MM = 0.5
NOT_DRAWN = frozenset({"flame_count", "wick_count", "carbon_ball_diameter", "debris_count", "wick_lean"})
MOST_POINTS = 720
OBLIQUE = 0.5  # b / a below which a drawn rim is no mouth of a vessel seen from above


@dataclass(frozen=True)
class Drawn:
    """What a person drew, in full-size pixels. ``pool`` empty: no wax is liquid. ``u_px``: the hand's, one sigma."""

    rim: Ellipse
    pool: tuple[PointPx, ...]
    u_px: float

    @property
    def problem(self) -> str | None:
        """Why this cannot be what was meant; None when it can."""
        if not (math.isfinite(self.u_px) and self.u_px > 0):
            return "the size of the drawing is not known"
        if self.rim.b < OBLIQUE * self.rim.a or self.rim.a < 20:
            return "the rim drawn is no rim of a vessel seen from above"
        if self.pool and not 3 <= len(self.pool) <= MOST_POINTS:
            return f"a pool is drawn with 3 to {MOST_POINTS} points"
        if not all(math.isfinite(x) and math.isfinite(y) for x, y in self.pool):
            return "a point of the pool is nowhere"
        if self.pool and float(self.rim._level(np.array(self.pool)).max()) > 1.5**2:
            return "the pool drawn lies outside the rim"
        return None

    def outlines(self) -> Outlines:
        """In the contract's form."""
        rim = self.rim
        axes = {"cx": rim.cx, "cy": rim.cy, "semi_major": rim.a, "semi_minor": rim.b, "angle_deg": rim.angle_deg}
        return Outlines(rim=axes, pool=self.pool)


def measure_drawn(photo: Photo, vessel: Vessel, drawn: Drawn, *, headspace_mm: float | None = None) -> PhotoResult:
    """The quantities that hang on rim and pool. Raises Declined for a drawing that fits no vessel in this photo."""
    width, height = photo.full_size_px
    if drawn.problem or not (0 <= drawn.rim.cx < width and 0 <= drawn.rim.cy < height and drawn.rim.a < width + height):
        raise Declined("no-vessel", drawn.problem or "the rim drawn lies outside the photo")
    scene, flags = _scene(photo, vessel, drawn, headspace_mm)
    quantities, by_clock, more = numbers(scene, vessel, headspace_mm)
    found = {name: one for name, one in quantities.items() if name not in NOT_DRAWN}
    if not drawn.pool:
        found["pool_coverage"] = Quantity(0.0, 0.01, "1", (("boundary", 0.01),))
        more = (*(one for one in more if one != "pool-unmeasured"), "pool-none")
    return PhotoResult.measured(
        photo.path, "top", method=METHOD, quantities=found, by_clock=by_clock, flags=(*flags, *more),
        outlines_px=drawn.outlines(),
    )  # fmt: skip


def _scene(photo: Photo, vessel: Vessel, drawn: Drawn, headspace_mm: float | None) -> tuple[Scene, tuple[str, ...]]:
    rim = drawn.rim.mapped(1 / photo.scale_px)
    close = look_close(photo.rgb, rim)
    camera = camera_for(photo.full_size_px, photo.focal_35mm).scaled(1 / photo.scale_px)
    sizes = (vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm)
    if camera.assumed and headspace_mm is not None:
        camera = camera_by_wax(rim, close, camera, *sizes, headspace_mm)
    standing = stand(rim, close, camera, *sizes, headspace_mm)
    radius = vessel.rim_inner_mm / 2
    u_hand_mm = math.hypot(drawn.u_px / drawn.rim.a * radius, EYE_U_MM)
    found = Rim(rim, standing, 1.0, 1.0, u_hand_mm / radius)
    standing = settled(standing, found, close)
    depth, u_depth, flags = wax_depth(standing, close, vessel, headspace_mm)
    pool = _drawn_pool(photo.to_working_px(drawn.pool), standing.frame, depth, u_hand_mm) if drawn.pool else None
    wicks = find_wicks(close, rim, standing.frame, depth)
    headspace = depth + lip_drop_mm(vessel.rim_inner_mm)[0]
    found = replace(found, standing=standing)
    scene = Scene(found, close, camera, standing.frame, depth, u_depth, headspace, pool, wicks, count_flames(close))
    flags += ("pose-ambiguous",) if standing.rival is not None else ()
    return scene, flags + (("focal-assumed",) if camera.assumed else ())


def _drawn_pool(px: Sequence[PointPx] | Array, frame: VesselFrame, depth_mm: float, u_hand_mm: float) -> Pool:
    """The drawn outline as the tool's own kind of pool; an edge within a hand's width of the wall reaches it."""
    outline = frame.to_plane(px, depth_mm)
    radius = frame.inner_radius_mm(depth_mm)
    try:
        centre = drawn_inside(polygon.centroid(outline), 0.97 * radius)
    except ValueError:
        raise Declined("no-vessel", "the pool drawn encloses nothing") from None
    wall = to_circle(centre, RAY_DIRECTIONS, radius)
    reach = polygon.radial_profile(outline, centre, np.arctan2(RAY_DIRECTIONS[:, 1], RAY_DIRECTIONS[:, 0]))
    reach = np.clip(np.nan_to_num(reach, nan=0.05), 0.05, wall)
    free = wall - reach > AT_WALL_MM
    nowhere = np.zeros(RAYS, dtype=bool)
    # the tool's edge is uncertain by a quarter of the width in which it fades; the hand's by the hand
    return Pool(centre, np.where(free, reach, wall), wall, free, nowhere, np.full(RAYS, 4 * u_hand_mm), depth_mm, False)
