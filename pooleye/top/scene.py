"""What one photo from above shows, before it becomes numbers: rim, pose, depth of the wax, pool, wicks."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from pooleye.flags import Declined
from pooleye.optics.camera import Camera, camera_for
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import Closeup, look_close, look_turned
from pooleye.top.debris import Debris, find_debris
from pooleye.top.locate import outside
from pooleye.top.pool import Pool, find_pool, wavering, wavers
from pooleye.top.pose import Standing, camera_by_wax, deepest_mm, lip_drop_mm, liquid_share, stand
from pooleye.top.refine import settle_on_wax
from pooleye.top.rim import MouthEdge, Rim, find_rim, wax_edge_px
from pooleye.top.wick import Wick, count_flames, find_wicks, with_stubs

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

REFINE = 0.06  # a chosen rim this far from the close look's, in rim radii, is worth a new look
WHOLE = 0.005  # share of a rim's width beyond the picture's edge up to which it may be whole: its own u
LEAST_WAX = 0.12  # share of the mouth that must be wax for it to be a candle
GIVEN_HEADSPACE_U_MM = 0.5  # a ruler held into a jar, read to the millimetre (judged)
RING_MM = {"solid": (0.0, 0.3), "liquid": (0.0, 0.3), "both": (1.6, 1.6), "deep": (5.0, 5.0)}
"""How far the wax line at the wall stands above the pool, and its u: nothing where all is solid or all liquid; a ring
one or two millimetres high round a pool; a pit of unknown depth where the wick tunnels (common practice, no source)."""
SURE_OVERLAP, DOUBT_MM = 0.975, 150.0  # wax explained less well: so many mm of u for each unit of overlap less
SLIP = 2.0  # u of both, from which a headspace given and the wax seen contradict each other
TUNNEL = 0.48  # share of liquid in the wax below which the pool may lie in a pit


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


def see(
    photo: Photo, vessel: Vessel, edge: MouthEdge, headspace_mm: float | None, with_pool: bool = True
) -> tuple[Scene, tuple[str, ...]]:
    """Rim, pose, depth and what lies in the vessel; looks again when the rim turns out elsewhere than guessed."""
    camera = camera_for(photo.full_size_px, photo.focal_35mm).scaled(1 / photo.scale_px)
    if edge.close.wax_share < LEAST_WAX:
        raise Declined("no-candle")
    first = edge
    rim, edge = find_rim(photo.rgb, first, camera, vessel, headspace_mm)
    if outside(rim.ellipse, photo.rgb.shape) > WHOLE:
        raise Declined("rim-cut-off")
    close, standing = edge.close, rim.standing
    sizes = (vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm)
    if float(np.abs(edge.ellipse.radial_residuals(rim.ellipse.points(36))).max()) > REFINE * rim.ellipse.a:
        close = look_close(photo.rgb, rim.ellipse)
    if close is not first.close and wavering(first.close) < wavering(close):
        close = first.close  # of two looks the surer one
    if wavers(close):
        close = look_turned(close)
    if close is not edge.close:
        standing = stand(rim.ellipse, close, camera, *sizes, headspace_mm)
    if camera.assumed and headspace_mm is not None:
        camera = camera_by_wax(rim.ellipse, close, camera, *sizes, headspace_mm)
        standing = stand(rim.ellipse, close, camera, *sizes, headspace_mm)
    standing = settled(standing, rim, close)
    depth, u_depth, flags = wax_depth(standing, close, vessel, headspace_mm)
    if headspace_mm is not None and not camera.assumed:
        slip_mm = _slip_mm(rim, close, camera, vessel, depth, u_depth)
        u_depth = float(np.hypot(u_depth, slip_mm))
        flags += ("headspace-doubtful",) if slip_mm else ()
    frame = standing.frame
    wicks, flames = find_wicks(close, rim.ellipse, frame, depth), count_flames(close)
    pool = find_pool(close, rim.ellipse, frame, depth, max(len(wicks), flames)) if with_pool else None
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


def settled(standing: Standing, rim: Rim, close: Closeup) -> Standing:
    """The pose settled on rim and wax line together, where the wax line is seen."""
    line = standing.wax_line
    wax_px = wax_edge_px(close)
    found = settle_on_wax(standing.frame, rim.ellipse, rim.u_relative, wax_px, line.depth_mm, line.u_depth_mm)
    return standing if found is None else replace(standing, frame=found[0], u_tilt_rad=found[1])


def wax_depth(
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
    deepest = deepest_mm(vessel.rim_inner_mm, vessel.height_mm)
    return *truncated(line.depth_mm + ring, float(np.hypot(u_line, u_ring)), 0.0, deepest), flags


def truncated(mean: float, u: float, low: float, high: float) -> tuple[float, float]:
    """Mean and standard deviation of a normal distribution of which only the part from `low` to `high` is possible
    (Johnson, Kotz, Balakrishnan: Continuous Univariate Distributions 1, 1994, 13.10; from memory)."""
    a, b = (low - mean) / u, (high - mean) / u
    inside = (math.erf(b / math.sqrt(2)) - math.erf(a / math.sqrt(2))) / 2
    if inside < 1e-6:  # hardly any of it: at the limit that is nearer
        return min(max(mean, low), high), u
    at_a, at_b = (math.exp(-x * x / 2) / math.sqrt(2 * math.pi) / inside for x in (a, b))
    variance = 1 + a * at_a - b * at_b - (at_a - at_b) ** 2
    return mean + u * (at_a - at_b), u * math.sqrt(max(variance, 1e-6))


def _slip_mm(rim: Rim, close: Closeup, camera: Camera, vessel: Vessel, depth_mm: float, u_depth_mm: float) -> float:
    """How far the depth given is from the one that the wax seen tells by itself; 0 where they agree within SLIP of what
    both are uncertain by."""
    alone = stand(rim.ellipse, close, camera, vessel.rim_inner_mm, vessel.base_inner_mm, vessel.height_mm, None)
    seen_mm, u_seen_mm, _ = wax_depth(alone, close, vessel, None)
    off = abs(seen_mm - depth_mm)
    return off if off > SLIP * float(np.hypot(u_seen_mm, u_depth_mm)) else 0.0


def _sight_deg(standing: Standing) -> float:
    """Angle from the vessel's axis at which the far wall is seen: the larger, the more a depth shows."""
    pose = standing.frame.pose
    return float(np.degrees(np.arctan(standing.frame.rim_radius_mm / pose.height_mm)) + pose.tilt_deg)
