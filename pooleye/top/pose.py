"""Where the phone stood: which of the two poses of the rim, and how far down the wax lies.

Both poses of a circle give the same rim (pooleye.optics.circle_pose); they differ in where deeper things appear. For
each pose every pixel of the mouth has the depth at which its line of sight meets the wall (pooleye.top.sightlines), so
for a wax line at depth d the pixels that show wax are those with a greater depth. The pose and the depth whose
prediction overlaps most with the wax that the net sees are the ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.circle_pose import CirclePose, circle_images, many_circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import Closeup
from pooleye.top.sightlines import Circles, wall_depths_mm

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

LIP_DROP_MM = ((45.0, 0.5, 0.2), (1e9, 0.8, 0.3))
"""(rim diameters up to, drop, u): headspace is measured from the top of the lip, the rim circle, where the inner wall
meets the lip's rounding, lies lower. Judged: half a millimetre for thin cups, about one for jars; callipers on jars
give 0.4 to 1.3 mm (common practice, no source)."""
STEP_MM = 0.5
USUAL_HEIGHT, LEAST_FLOOR_MM = 2.2, 3.0  # in rim diameters, if the height is unknown; vessel and wax left below
RING_MOST = 0.75  # a ring of solid wax at the wall may stand above the pool by this share of the headspace
TALL_RING_MM, TALL_RING_COST = 3.0, 0.012
"""Solid rings higher than this above the pool are seen only where the wick tunnels; less likely by so much overlap."""
ALIKE, ALIKE_SHARE = 0.004, 0.05
"""Overlaps closer than this, or than this share of what neither of them explains, do not settle the pose."""
SQUARE_DEG = 1.5  # below this tilt both poses are the same for all purposes
ALL_SOLID, ALL_LIQUID = 0.01, 0.9  # shares of pool in the wax seen
ASSUMED = 2
FOCAL_FACTORS = (0.8, 0.9, 1.0, 1.1, 1.2, 1.35, 1.5, 1.65, 1.8, 2.0, 2.2, 2.45, 2.7, 3.0)
"""Over the assumed focal length: from a phone's wide lens to its longest (13 to 80 mm, from memory)."""
CLEARLY_BETTER = 0.02  # in overlap
FOCAL_U = 0.08
GRID_PX = 4
NOWHERE = 0.02  # mouth and wax together less likely than this: not worth a line of sight


@dataclass(frozen=True, eq=False)
class WaxLine:
    """How well the wax seen fits a wax line at one depth, for one pose."""

    depth_mm: float  # below the rim circle
    u_depth_mm: float
    overlap: float


@dataclass(frozen=True, eq=False)
class Standing:
    """The chosen frame, the wax line at the wall in it, and the other pose where it cannot be excluded.

    `u_tilt_rad`: standard uncertainty of the tilt where rim and wax line have settled it together.
    """

    frame: VesselFrame
    wax_line: WaxLine
    rival: VesselFrame | None
    u_tilt_rad: float | None = None


def lip_drop_mm(rim_inner_mm: float) -> tuple[float, float]:
    """How far the rim circle lies below the top of the lip, and its standard uncertainty."""
    return next((drop, u) for limit, drop, u in LIP_DROP_MM if rim_inner_mm <= limit)


def vessel_frame(
    pose: CirclePose, camera: Camera, rim_inner_mm: float, base_inner_mm: float | None, height_mm: float | None
) -> VesselFrame:
    """The frame of a vessel given by its callipers' diameters; a taper without a height is taken as straight."""
    tapered = base_inner_mm is not None and height_mm is not None
    return VesselFrame(
        pose,
        camera,
        rim_inner_mm / 2,
        base_inner_mm / 2 if tapered and base_inner_mm is not None else None,
        height_mm if tapered else None,
    )


def _samples(close: Closeup) -> tuple[Array, Array, Array]:
    """Working pixels (N, 2) of a grid over the square, and the probabilities (N,) there of pool, and of wax or pool;
    kept from one call to the next, since many rings are tried on one close look."""
    if close.samples is None:
        grid = np.arange(GRID_PX // 2, close.wax.shape[0], GRID_PX)
        at = np.stack(np.meshgrid(grid, grid), -1).reshape(-1, 2)
        at = at[close.mouth[at[:, 1], at[:, 0]] + close.wax[at[:, 1], at[:, 0]] > NOWHERE]
        pool = close.pool[at[:, 1], at[:, 0]].astype(float)
        either = np.maximum(close.wax[at[:, 1], at[:, 0]].astype(float), pool)
        object.__setattr__(close, "samples", (close.to_photo(at), pool, either))
    assert close.samples is not None
    return close.samples


@dataclass(frozen=True, eq=False)
class WaxLines:
    """For each of M rims and its two poses: centre and normal (M, 2, 3) of the rim circle, and the depth at which a wax
    line fits best, its u and how well it fits (M, 2); with the cameras (M,) and the diameters and height."""

    centres: Array
    normals: Array
    depth_mm: Array
    u_depth_mm: Array
    overlap: Array
    cameras: list[Camera]
    sizes_mm: tuple[float, float | None, float | None]

    def ellipses(self, camera: Camera) -> Array:
        """Vectors (M, 5) of the wax lines as `camera` sees them, each in the pose that explains the wax better."""
        better = np.arange(len(self.overlap)), self.overlap.argmax(1)
        normals, depth = self.normals[better], self.depth_mm[better]
        radii = self.sizes_mm[0] / 2 - _narrowing(*self.sizes_mm) * depth
        return circle_images(self.centres[better] - depth[:, None] * normals, normals, radii, camera)

    def standing(self, k: int) -> Standing:
        """Of the rim `k`, the pose chosen by the wax line."""
        poses = [CirclePose(*circle) for circle in zip(self.centres[k], self.normals[k], strict=True)]
        first = int(self.overlap[k, 1] > self.overlap[k, 0])
        line = WaxLine(*(float(values[k, first]) for values in (self.depth_mm, self.u_depth_mm, self.overlap)))
        apart = math.degrees(math.acos(min(1.0, float(poses[0].normal @ poses[1].normal)))) / 2
        alike = max(ALIKE, ALIKE_SHARE * (1 - float(self.overlap[k].max())))
        unsettled = apart > SQUARE_DEG and float(np.ptp(self.overlap[k])) < alike
        frame = vessel_frame(poses[first], self.cameras[k], *self.sizes_mm)
        rival = vessel_frame(poses[1 - first], self.cameras[k], *self.sizes_mm) if unsettled else None
        return Standing(frame, line, rival)


def wax_lines(
    rims: Array,
    close: Closeup,
    cameras: list[Camera],
    rim_inner_mm: float,
    base_inner_mm: float | None,
    height_mm: float | None,
    headspace_mm: float | None,
    thin: int = 1,
) -> WaxLines:
    """Tries all depths for each rim (M, 5: vectors of their ellipses), seen by the camera beside it, in both of its
    poses; looks at every `thin`-th sample only.

    With a known headspace two readings are tried: solid and liquid together are the wax; or the liquid alone is all of
    it, and what looks solid beside it is wall (glass that mirrors the wax). The second can only be at the pool's own
    depth.
    """
    focals = np.array([camera.f_px for camera in cameras])
    centres, normals = many_circle_poses(rims, rim_inner_mm / 2, focals, cameras[0])
    narrowing = _narrowing(rim_inner_mm, base_inner_mm, height_mm)
    px, pool, either = (values[::thin] for values in _samples(close))
    circles = Circles(centres.reshape(-1, 3), normals.reshape(-1, 3), np.repeat(focals, 2), cameras[0])
    wall_depth = wall_depths_mm(circles, px, rim_inner_mm / 2, narrowing)
    depths = possible_wax_lines_mm(close, rim_inner_mm, height_mm, headspace_mm)
    overlap = _overlaps(wall_depth, depths, either)
    if headspace_mm is not None:
        above = depths[-1] - depths
        overlap = overlap - TALL_RING_COST * np.clip((above - TALL_RING_MM) / TALL_RING_MM, 0, 1)
        all_liquid = _overlaps(wall_depth, depths[-1:], pool)
        depths, overlap = np.append(depths, depths[-1]), np.append(overlap, all_liquid, axis=1)
    best = overlap.max(1)
    near = overlap > best[:, None] - 0.01
    spread = np.where(near, depths, -np.inf).max(1) - np.where(near, depths, np.inf).min(1)
    by_pose = (depths[overlap.argmax(1)], np.maximum(spread / 2, STEP_MM), best)
    depth, u_depth, best = (values.reshape(-1, 2) for values in by_pose)
    return WaxLines(centres, normals, depth, u_depth, best, cameras, (rim_inner_mm, base_inner_mm, height_mm))


def _narrowing(rim_inner_mm: float, base_inner_mm: float | None, height_mm: float | None) -> float:
    """How much the inner radius loses with each millimetre of depth."""
    return (rim_inner_mm - base_inner_mm) / 2 / height_mm if base_inner_mm and height_mm else 0.0


def _overlaps(wall_depth_mm: Floats, depths_mm: Array, seen: Array) -> Array:
    """How well a wax line at each depth (D,) explains the wax seen (N,), for views (P, N) of the wall: intersection
    over union (P, D)."""
    depths = depths_mm.astype(np.float32)
    if len(depths) == 1:
        shown = wall_depth_mm > depths
        sums = [(shown @ each)[:, None] for each in (np.ones_like(seen), seen)]
    else:
        # how many of the depths each line reaches before the wall; then sums over the pixels that would show wax
        bins = len(depths) + 1
        slot = (np.searchsorted(depths, wall_depth_mm) + bins * np.arange(len(wall_depth_mm))[:, None]).ravel()
        weight = np.broadcast_to(seen, wall_depth_mm.shape).ravel()
        reached = [np.bincount(slot, each, bins * len(wall_depth_mm)).reshape(-1, bins) for each in (None, weight)]
        sums = [each[:, :0:-1].cumsum(1)[:, ::-1] for each in reached]
    count, inside = sums
    return np.asarray(inside / np.maximum(seen.sum() + count - inside, 1.0))


def camera_by_wax(
    rim: Ellipse,
    close: Closeup,
    camera: Camera,
    rim_inner_mm: float,
    base_inner_mm: float | None,
    height_mm: float | None,
    headspace_mm: float,
) -> Camera:
    """A camera of unknown focal length, from how much smaller the wax looks than the rim.

    For a lens D above the rim the bore at depth h looks smaller by D / (D + h), whatever the focal length; and with D
    the size of the rim gives the focal length. Answers `camera` itself unless another focal length explains the wax
    clearly better; the uncertainty is the spread of those that explain it about as well.
    """
    cameras = [camera.with_focal(camera.f_px * factor) for factor in FOCAL_FACTORS]
    sizes = (rim_inner_mm, base_inner_mm, height_mm)
    overlaps = wax_lines(np.tile(rim.vector(), (len(cameras), 1)), close, cameras, *sizes, headspace_mm).overlap.max(1)
    best = int(np.argmax(overlaps))
    if overlaps[best] - overlaps[ASSUMED] < CLEARLY_BETTER:
        return camera
    alike = np.array(FOCAL_FACTORS)[overlaps > overlaps[best] - CLEARLY_BETTER / 2]
    share = max(float(np.ptp(alike)) / 2 / FOCAL_FACTORS[best], FOCAL_U)
    found = cameras[best]
    return Camera(
        found.f_px, found.cx_px, found.cy_px, share * found.f_px, True, (("focal-from-wax", share * found.f_px),)
    )


def possible_wax_lines_mm(
    close: Closeup, rim_inner_mm: float, height_mm: float | None, headspace_mm: float | None
) -> Array:
    """Depths (N,) at which the wax may meet the wall, ascending.

    With a known headspace: at that level where all the wax is solid or all of it liquid; where a pool stands inside
    solid wax, from there upwards, since the solid ring at the wall does not sink.
    """
    if headspace_mm is None:
        return np.arange(0.5, deepest_mm(rim_inner_mm, height_mm), STEP_MM)
    level = max(headspace_mm - lip_drop_mm(rim_inner_mm)[0], 0.3)
    share = liquid_share(close)
    if share < ALL_SOLID or share > ALL_LIQUID:
        return np.array([level])
    return np.unique(np.append(np.arange(max(level * (1 - RING_MOST), 0.2), level, STEP_MM), level))


def deepest_mm(rim_inner_mm: float, height_mm: float | None) -> float:
    """How deep wax may lie at most."""
    return max((height_mm or USUAL_HEIGHT * rim_inner_mm) - LEAST_FLOOR_MM, LEAST_FLOOR_MM)


def liquid_share(close: Closeup) -> float:
    """Share of the wax's pixels that are pool."""
    pool = close.pool > 0.5
    return float(np.count_nonzero(pool)) / max(float(np.count_nonzero(pool | (close.wax > 0.5))), 1.0)


def stand(
    rim: Ellipse,
    close: Closeup,
    camera: Camera,
    rim_inner_mm: float,
    base_inner_mm: float | None,
    height_mm: float | None,
    headspace_mm: float | None,
) -> Standing:
    """Chooses the pose by the wax line."""
    sizes = (rim_inner_mm, base_inner_mm, height_mm)
    return wax_lines(rim.vector()[None], close, [camera], *sizes, headspace_mm).standing(0)
