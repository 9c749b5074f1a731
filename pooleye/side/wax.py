"""Where wax and liquid end at the wall that faces the lens, through clear glass.

The near side of the inner wall is unrolled: columns are azimuths, rows heights. A level line of wax is straight and
level in it, while everything behind (the far edge of the wax, the pool's own edge, reflections) is curved, so a row
in which most columns change the same way is a level line. Two such lines one above the other are the liquid's
surface and the solid's.

Looking down at the elevation e through a wall of thickness t, the ray drops t tan e' in the glass, sin e' = sin e /
n (Snell), instead of t tan e; what is seen on the inner face stands so much higher. Along the circle about the axis
a curved wall magnifies azimuths, not heights.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.photo import RgbImage
from pooleye.side.pose import SidePose

Array = NDArray[np.float64]

GLASS_INDEX = 1.52  # soda-lime glass, from memory
STEP_MM = 0.2
AZIMUTHS_DEG = np.linspace(-42.0, 42.0, 57)
FACING_DEG = 22.0
LOWEST_SHARE = 0.14  # of the height: below are the base and its reflections
BELOW_RIM_MM = 3.0
SMOOTH_MM = 0.4
NOISE_CODES = 6.0  # change over SMOOTH_MM that counts half
CLEAR_VOTE, WEAK_VOTE = 0.36, 0.26
AT_POOL_MM = (-1.2, 4.0)  # of the wax line against the pool that was given, with all errors
BELOW_POOL_MM = 3.0  # how far an outline that was fitted a little off may put it below
CLEAR_SHARE = 0.55  # of the clearest line's vote
SOLID_SHARE = 0.65  # likewise of the solid: right lines had 0.71 and more of it, streaks in the liquid 0.59 and less
SEEN_OFF_MM = 10.0  # how far the wax that the network sees ends from its line, at most
SEEN_NEAR_MM = 4.0  # so near, it confirms a line
SAME_LINE_MM = 1.3  # a lit or dark edge between wax and air shows as two changes
LIQUID_AT_POOL_MM = 1.3  # liquid at the wall stands at the pool's own level; a ring of solid wax does not
STRAIGHT_MM = 0.6
MAX_WEDGE_MM = 2.0
LIQUID_UNASKED_MM = (2.0, 9.0)  # depths believed where the pool's height was not given
FAR_SIDE_MM = 3.0
BRIGHT_ABOVE_MM = (4.0, 12.0)  # judged: where a flame's bright part begins, above the pool: wick 6 mm, blue foot
HIDES_MM = 2.5  # how far below a ring's edge the flame may still seem to show
RING_MM = 17.0  # how far a ring of solid wax may stand above the pool
RING_SEEN_MM = 10.0  # judged: what the network sees so far above a pool is a ring, not its own error
DEPTH_RANGE_MM = (1.2, 25.0)
FLAME_CODE = 235.0


@dataclass(frozen=True)
class LevelLine:
    """A level line on the near wall: height above the underside, how unanimously the columns show it (0 to 1), the
    scatter of its height between columns, and the height above it where the change begins."""

    height_mm: float
    vote: float
    scatter_mm: float
    onset_mm: float


@dataclass(frozen=True)
class WaxLines:
    """The wax or liquid line at the wall and, under a liquid that reaches the wall, the solid's line. `doubt_mm`: how
    far from it the wax ends that the network sees."""

    surface: LevelLine
    solid: LevelLine | None
    refraction_mm: float
    doubt_mm: float


def wax_lines(
    rgb: RgbImage,
    pose: SidePose,
    inner_radius_mm: Array,
    pool_mm: float | None,
    flame_mm: float | None = None,
    seen_mm: float | None = None,
) -> WaxLines | None:
    """The lines found, or None. `inner_radius_mm` at rim and base; `pool_mm`: height of the pool if known; `flame_mm`:
    height of the lowest bright part of the flame, if one burns; `seen_mm`: height of the wax as the network sees it."""
    heights = np.arange(LOWEST_SHARE * pose.frustum.height_mm, pose.frustum.height_mm - BELOW_RIM_MM, STEP_MM)[::-1]
    if len(heights) < 10:
        return None
    change = _changes(_unrolled(rgb, pose, inner_radius_mm, heights))
    lines = _level_lines(change, heights)
    surface = _surface_of(lines, pose, float(np.mean(inner_radius_mm)), pool_mm, flame_mm, seen_mm)
    if surface is None:
        return None
    solid = _solid_below(lines, surface, pool_mm)
    shift = _refraction_mm(pose, surface.height_mm, inner_radius_mm)
    doubt_mm = 0.0 if seen_mm is None else abs(surface.height_mm - seen_mm)
    return WaxLines(_raised(surface, shift), _raised(solid, shift) if solid else None, abs(shift), doubt_mm)


def _unrolled(rgb: RgbImage, pose: SidePose, inner_radius_mm: Array, heights: Array) -> NDArray[np.float32]:
    """The near inner wall, (heights, azimuths, 3), in sRGB codes."""
    azimuths = np.radians(AZIMUTHS_DEG)
    spread = np.linspace(heights[0], heights[-1], max(len(heights) // 8, 2))  # so near, the wall is as good as straight
    grid_h, grid_a = np.meshgrid(spread, azimuths, indexing="ij")
    rim, base = inner_radius_mm
    radius = base + (rim - base) * grid_h / pose.frustum.height_mm
    points = pose.poses.points_px(grid_a.reshape(1, -1), grid_h.reshape(1, -1), radius.reshape(1, -1))[0]
    points = points.reshape(*grid_h.shape, 2)
    share = np.linspace(0, len(spread) - 1, len(heights))
    low = np.minimum(share.astype(int), len(spread) - 2)
    part = (share - low)[:, None, None]
    maps = (points[low] * (1 - part) + points[low + 1] * part).astype(np.float32)
    return np.asarray(cv2.remap(rgb, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR), dtype=np.float32)


def _changes(wall: NDArray[np.float32]) -> Array:
    """Signed change downwards of the strongest channel over SMOOTH_MM, squeezed to -1..1; nan at the flame."""
    sigma = SMOOTH_MM / STEP_MM
    soft = cv2.GaussianBlur(wall, (0, 0), sigmaX=0.6, sigmaY=sigma)
    slope = cv2.Sobel(soft, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8) * (2.0 * sigma)
    strongest = np.take_along_axis(slope, np.abs(slope).argmax(axis=2)[..., None], axis=2)[..., 0]
    shining = cv2.dilate((wall[..., :2].min(axis=2) > FLAME_CODE).astype(np.uint8), np.ones((9, 3), np.uint8)) > 0
    tall = shining.sum(axis=0) > 3.0 / STEP_MM  # a flame stands upright; a bright line does not count as one
    squeezed = strongest / (np.abs(strongest) + NOISE_CODES)
    squeezed[shining & tall[None]] = np.nan
    return np.asarray(squeezed, dtype=np.float64)


def _level_lines(change: Array, heights: Array) -> list[LevelLine]:
    """Local maxima of the vote, top first."""
    known = np.isfinite(change)
    filled = np.where(known, change, 0.0)
    count = np.maximum(known.sum(axis=1), 1)
    vote = np.abs(filled.sum(axis=1)) / count * (known.mean(axis=1) > 0.5)
    window = max(round(0.8 / STEP_MM), 1)
    highest = cv2.dilate(vote.reshape(-1, 1), np.ones((2 * window + 1, 1), np.uint8)).ravel()
    peaks = np.flatnonzero((vote >= highest) & (vote > WEAK_VOTE))
    return [_line_at(filled, heights, int(peak), float(vote[peak])) for peak in peaks]


def _line_at(change: Array, heights: Array, peak: int, vote: float) -> LevelLine:
    """The line's height on the facing side: each column's strongest change of the line's sign near the peak."""
    reach = round(1.6 / STEP_MM)
    low, high = max(peak - reach, 0), min(peak + reach + 1, len(heights))
    facing = np.abs(AZIMUTHS_DEG) <= FACING_DEG
    part = change[low:high][:, facing] * np.sign(change[peak].sum())
    best, strength = part.argmax(axis=0), part.max(axis=0)
    seen = heights[low + best[strength > 0.15]]
    onset = _onset_mm(change.mean(axis=1), heights, peak)
    if len(seen) < 5:
        return LevelLine(float(heights[peak]), vote, 0.5, onset)
    middle = float(np.median(seen))
    scatter = max(float(1.4826 * np.median(np.abs(seen - middle))), STEP_MM / 2)
    return LevelLine(middle, vote, scatter, onset)


def _onset_mm(mean_change: Array, heights: Array, peak: int) -> float:
    """Upwards from the line's strongest change, the height at which the change has sunk to a fifth of it."""
    along = mean_change[peak::-1] * np.sign(mean_change[peak])
    faint = along < 0.2 * along[0]
    return float(heights[peak - int(np.argmax(faint))]) if faint.any() else float(heights[0])


def _surface_of(
    lines: list[LevelLine],
    pose: SidePose,
    radius_mm: float,
    pool_mm: float | None,
    flame_mm: float | None,
    seen_mm: float | None,
) -> LevelLine | None:
    """The wax line. A clear one well above the pool, where the network sees wax end, is a ring's. Of several near the
    pool's known height the lowest clear one is it: the pool's edge lies behind, above it in the picture. Where none is
    there, a ring of solid wax may stand higher; else the wax's far side is none."""
    straight = [line for line in lines if line.scatter_mm <= STRAIGHT_MM]
    clear = [line for line in straight if line.vote >= CLEAR_VOTE]
    if pool_mm is None:
        if seen_mm is not None:
            clear = [line for line in clear if abs(line.height_mm - seen_mm) <= SEEN_OFF_MM]
        return _surface_unasked(clear, pose, radius_mm, flame_mm)
    low, high = AT_POOL_MM
    at_pool = [line for line in lines if low <= line.height_mm - pool_mm <= high]
    below = [line for line in clear if -BELOW_POOL_MM <= line.height_mm - pool_mm < low]
    ring = [line for line in clear if high < line.height_mm - pool_mm <= RING_MM]
    seen = [line for line in ring if seen_mm is not None and abs(line.height_mm - seen_mm) <= SEEN_NEAR_MM]
    if seen and seen_mm is not None and seen_mm - pool_mm > RING_SEEN_MM:
        return max(seen, key=lambda line: line.vote)
    if any(line in clear for line in at_pool):
        return _lowest_clear([line for line in at_pool if line in clear])
    if below:
        return max(below, key=lambda line: line.height_mm)
    if seen:
        return max(seen, key=lambda line: line.vote)
    if at_pool:
        return _lowest_clear([line for line in at_pool if line in straight] or at_pool)
    far_mm = _far_side_mm(pool_mm, pose, radius_mm)
    ring = [line for line in ring if abs(line.height_mm - far_mm) > FAR_SIDE_MM]
    # a ring hides what burns behind it
    ring = [line for line in ring if flame_mm is None or flame_mm > line.height_mm - HIDES_MM]
    return max(ring, key=lambda line: line.vote, default=None)


def _surface_unasked(
    clear: list[LevelLine], pose: SidePose, radius_mm: float, flame_mm: float | None
) -> LevelLine | None:
    """The wax line where the pool's height was not given: the lowest clear one, since all that shows behind the wall
    shows above it; or, above that, the surface of a liquid over it, which is not the far side of the same level.

    A flame tells the two apart: its bright part begins a usual distance above what it burns on.
    """
    if not clear:
        return None
    lowest = min(clear, key=lambda line: line.height_mm)
    low, high = LIQUID_UNASKED_MM
    above = [line for line in clear if low <= line.height_mm - lowest.height_mm <= high]
    if flame_mm is not None:
        near, far = BRIGHT_ABOVE_MM
        below_flame = [line for line in clear if near <= flame_mm - line.height_mm <= far]
        usual = (near + far) / 2
        return min(below_flame, key=lambda line: abs(flame_mm - line.height_mm - usual), default=lowest)
    far_mm = _far_side_mm(lowest.height_mm, pose, radius_mm)
    above = [line for line in above if abs(line.height_mm - far_mm) > FAR_SIDE_MM]
    return min(above, key=lambda line: line.height_mm, default=lowest)


def _lowest_clear(lines: list[LevelLine]) -> LevelLine:
    """The lowest of the clear ones; of a pair that is one edge, the clearer."""
    enough = CLEAR_SHARE * max(line.vote for line in lines)
    bottom = min(line.height_mm for line in lines if line.vote >= enough)
    return max((line for line in lines if 0 <= line.height_mm - bottom < SAME_LINE_MM), key=lambda line: line.vote)


def _far_side_mm(height_mm: float, pose: SidePose, radius_mm: float) -> float:
    """At which height on the near wall the far wall's points of this height are seen."""
    far_px = pose.poses.points_px(np.array([[np.pi]]), np.array([[height_mm]]), np.array([[radius_mm]]))[0]
    return float(pose.wall_height_mm(far_px, radius_mm)[0])


def _solid_below(lines: list[LevelLine], surface: LevelLine, pool_mm: float | None) -> LevelLine | None:
    """The line of solid wax below a liquid that reaches the wall, the highest of those about as clear as the clearest;
    only where the surface is the pool's own level."""
    if pool_mm is not None and abs(surface.height_mm - pool_mm) > LIQUID_AT_POOL_MM:
        return None
    needed = WEAK_VOTE if pool_mm is not None else CLEAR_VOTE
    low, high = DEPTH_RANGE_MM
    below = [line for line in lines if low <= surface.height_mm - line.height_mm <= high and line.vote >= needed]
    below = [line for line in below if line.scatter_mm <= STRAIGHT_MM]
    if not below:
        return None
    enough = SOLID_SHARE * max(line.vote for line in below)
    solid = max((line for line in below if line.vote >= enough), key=lambda line: line.height_mm)
    # the solid's upper edge is sharp, or a thin, lit wedge: then it ends where the change begins, above the strongest
    wedge_mm = min(solid.onset_mm, solid.height_mm + MAX_WEDGE_MM, surface.height_mm - low / 2) - solid.height_mm
    half = max(wedge_mm, 0.0) / 2
    scatter_mm = float(np.hypot(solid.scatter_mm, half / np.sqrt(3)))
    return replace(solid, height_mm=solid.height_mm + half, scatter_mm=scatter_mm)


def _refraction_mm(pose: SidePose, height_mm: float, inner_radius_mm: Array) -> float:
    """How much higher a point of the inner wall stands than a straight ray says; negative seen from below."""
    above = float(pose.poses.lens_above_mm(height_mm)[0])
    middle, _, near, _ = (part[0] for part in pose.poses.frames())
    inner = float(np.mean(inner_radius_mm))
    elevation = np.arctan2(above, max(float(-(middle @ near)) - inner, 1.0))
    within = np.arcsin(np.sin(elevation) / GLASS_INDEX)
    thickness = max(float(pose.frustum.radius_mm(height_mm)) - inner, 0.0)
    return float(thickness * (np.tan(elevation) - np.tan(within)))


def _raised(line: LevelLine, shift_mm: float) -> LevelLine:
    return replace(line, height_mm=line.height_mm + shift_mm)
