"""The melt pool's outline in the plane where it lies, and what a maker asks of it.

The net says which pixels are liquid; the outline is found along rays in the pool's own plane, in millimetres, so the
parallax of the headspace is out of it from the start. Along each ray the edge is free (solid wax follows), at the wall,
or hidden by the near rim; hidden stretches take the width of hang-up of their neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics import polygon
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import SECTORS, VesselFrame
from pooleye.top.closeup import Closeup
from pooleye.top.curves import RAY_DIRECTIONS
from pooleye.top.regions import regions
from pooleye.top.rim import fall_width, last_fall

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

AZIMUTHS = 180  # at which hang-up is measured
STEPS = 120  # samples along a ray
LEAST_AREA = 0.004  # of the mouth's pixels; a smaller wet spot is no pool
PART_OF_IT = 0.12  # a separate wet region of at least this share of the largest counts with it
AT_WALL_MM = 0.5  # an edge this near to the wall reaches it: the solid film there is thinner than can be seen
AT_WALL_PX = 1.6  # and in the close look's own pixels
AT_RIM = 0.985  # share of the rim's radius beyond which the near rim may hide the edge
WAVERING, VAGUE = 0.12, 0.30
"""Share of the pool's (or all the wax's) pixels between 0.2 and 0.8 from which it is worth another look, and from which
it is not known. At the first look 5 of 113 photos waver so much, and 108 by less than 0.11."""
MIRRORED, MIRROR_SHARE = 0.02, 0.4
"""An edge nearer to the rim's mirror image than this, in radii of the bore, may be that image; and is, where so much of
the free edge is. Of 20 rendered pools of which so much was (0.03 of all rays or more), 17 were full."""
NOTCH = 0.03  # of the bore's radius: a notch in the outline as deep as this is something that hides liquid


@dataclass(frozen=True, eq=False)
class Pool:
    """The pool's outline along `RAYS` rays from `centre_mm` (2,), mm in the plane `depth_mm` below the rim circle.

    `radius_mm` (RAYS,) ends at the edge; `free`, `hidden` (RAYS,) say of which kind the edge is there (one behind glare
    or shadow counts as hidden), and `width_mm` (RAYS,) how blurred the net saw it. `vague`: the net is not sure that
    there is a pool.
    """

    centre_mm: Array
    radius_mm: Array
    wall_mm: Array
    free: Flags
    hidden: Flags
    width_mm: Array
    depth_mm: float
    vague: bool
    seen_mm: Array | None = None  # (RAYS,) where the edge seemed to be, where a part of it was taken for a mirror image

    @property
    def outline_mm(self) -> Array:
        """(RAYS, 2)."""
        return self.centre_mm + self.radius_mm[:, None] * RAY_DIRECTIONS

    @property
    def hidden_share(self) -> float:
        return float(self.hidden.mean())


def wavers(close: Closeup) -> bool:
    """Whether too much of the wax is neither one thing nor the other to the net."""
    return wavering(close) > WAVERING


def wavering(close: Closeup) -> float:
    """Share of the wax that is neither solid nor liquid to the net, or neither wax nor something else."""
    pool = np.where(close.flame > 0.5, np.float32(1), close.pool)
    return max(_share_between(pool), _share_between(np.maximum(close.wax, pool)))


def find_pool(close: Closeup, rim: Ellipse, frame: VesselFrame, depth_mm: float, wicks: int) -> Pool | None:
    """The pool of so many `wicks`, or None where the wax is solid all over."""
    wet = _wet_region(close, rim)
    if wet is None:
        return None
    vague = _share_between(wet) > VAGUE  # the net wavers all over the region rather than along its edge
    moments = cv2.moments((wet > 0.5).view(np.uint8), binaryImage=True)
    px = close.to_photo([moments["m10"] / moments["m00"], moments["m01"] / moments["m00"]])
    radius = frame.inner_radius_mm(depth_mm)
    centre = drawn_inside(frame.to_plane(px, depth_mm)[0], 0.97 * radius)
    pool = _outline(close, wet, rim, frame, depth_mm, centre, radius, vague)
    pool = _without_mirror_images(pool, frame)
    return pool if wicks > 1 else _without_notches(pool, NOTCH * radius)


def moved(
    pool: Pool, frame: VesselFrame, others: Sequence[tuple[VesselFrame, float]], every: int = 1
) -> tuple[Array, Array]:
    """Outlines (K, n, 2) mm, of every so many-th ray, if the same pixels were seen in other frames, at other depths,
    and the wall's radii (K,) there: how uncertainty of pose, focal length and headspace reaches the pool. An edge at
    the wall stays there."""
    outline = pool.outline_mm[::every]
    px = frame.project(np.column_stack([outline, np.full(len(outline), -pool.depth_mm)]))
    there = np.stack([other.to_plane(px, depth_mm) for other, depth_mm in others])
    radius = np.array([other.inner_radius_mm(depth_mm) for other, depth_mm in others])
    scale = radius[:, None] / np.maximum(np.hypot(there[..., 0], there[..., 1]), 1e-9)
    at_wall = ~(pool.free | pool.hidden)[::every]
    return there * np.where(at_wall, scale, np.minimum(scale, 1.0))[..., None], radius


def hangup_by_azimuth(outline_mm: Array, radius_mm: ArrayLike, n: int = AZIMUTHS) -> Array:
    """Width (..., n) mm of solid wax from walls (...) to pools (..., N, 2) along the radius, at even azimuths from
    12 o'clock; the whole radius where a line from the axis meets no pool."""
    azimuth = np.arange(n) * (2 * np.pi / n)
    reach = polygon.radial_profile(outline_mm, (0.0, 0.0), np.pi / 2 - azimuth)
    return np.asarray(np.maximum(np.asarray(radius_mm)[..., None] - np.nan_to_num(reach), 0.0))


def by_sector(values: Array, frame: VesselFrame) -> list[float]:
    """Means over the 12 clock sectors of values (n,) at even azimuths."""
    azimuth = np.arange(len(values)) * (2 * np.pi / len(values))
    sector = frame.sector_of_azimuth(azimuth)
    means = np.bincount(sector, values, SECTORS) / np.bincount(sector, minlength=SECTORS)
    return [float(mean) for mean in means]


def _wet_region(close: Closeup, rim: Ellipse) -> NDArray[np.float32] | None:
    """The pool's probability with all that is not the pool, or not inside the mouth, taken out."""
    inside = close.inside(rim)
    # the flame and the wick stand in the pool, and are part of its area
    wet = np.maximum(close.pool, close.flame * (close.flame > 0.5)) * inside
    labels, areas = regions(wet > 0.5, connectivity=4)
    if areas.max() < max(LEAST_AREA * np.count_nonzero(inside), 1):
        return None
    keep = (areas >= PART_OF_IT * areas.max()).astype(np.uint8)[labels]
    near = cv2.dilate(keep, np.ones((5, 5), np.uint8))
    return np.asarray(wet * near, np.float32)


def _share_between(wet: NDArray[np.float32]) -> float:
    perhaps = int(np.count_nonzero(wet > 0.2))
    return (perhaps - int(np.count_nonzero(wet >= 0.8))) / max(perhaps, 1)


def drawn_inside(xy_mm: Array, reach_mm: float) -> Array:
    """The point (2,), drawn towards the axis if it lies farther than `reach_mm` from it."""
    distance = float(np.hypot(*xy_mm))
    return xy_mm if distance <= reach_mm else xy_mm * (reach_mm / distance)


def _outline(
    close: Closeup,
    wet: NDArray[np.float32],
    rim: Ellipse,
    frame: VesselFrame,
    depth_mm: float,
    centre: Array,
    radius: float,
    vague: bool,
) -> Pool:
    u = RAY_DIRECTIONS
    wall = to_circle(centre, u, radius)
    share = np.linspace(0.02, 1.02, STEPS)
    at_mm = cv2.merge(
        [from_mm + np.outer(way, share) for from_mm, way in zip(centre, (wall[:, None] * u).T, strict=True)]
    )
    px = cv2.perspectiveTransform(at_mm, frame.plane_homography(depth_mm))
    square = np.asarray(close.to_square(px), np.float32)
    seen = cv2.remap(wet, square[..., 0], square[..., 1], cv2.INTER_LINEAR)
    shown = rim._level(px) < AT_RIM
    profile = np.where(np.logical_and.accumulate(shown, axis=1), np.asarray(seen, np.float32), np.float32(0.0))
    profile[:, -1] = 0.0
    edge = last_fall(profile, share, 0.5)
    edge = np.where(np.isfinite(edge), edge, share[0])
    width = fall_width(profile, share)
    ends_in_sight = shown[:, -2]
    limit = np.where(ends_in_sight, 1.0, share[np.argmin(shown, axis=1)])
    step_px = np.hypot(*(square[:, -1] - square[:, 0]).T) / (share[-1] - share[0])
    slack = np.maximum(AT_WALL_MM / wall, AT_WALL_PX / step_px)
    touches = edge >= limit - slack
    hidden = touches & ~ends_in_sight
    at_wall = touches & ends_in_sight
    share_edge = np.where(at_wall, 1.0, edge)
    gap = _across_hidden((1 - share_edge) * wall, hidden)
    free = ~touches
    reached = np.where(hidden, wall - gap, np.where(free, _without_spikes(share_edge * wall), wall))
    width_mm = np.where(np.isfinite(width), width, 0.05) * wall
    return Pool(centre, np.clip(reached, 0.05, wall), wall, free, hidden, width_mm, depth_mm, vague)


def _without_mirror_images(pool: Pool, frame: VesselFrame) -> Pool:
    """The pool with an edge that lies where the liquid mirrors the rim counted as hidden. The image of a point stands
    as far below a mirror as the point above it; a few places where the true edge crosses that circle do not count."""
    turn = np.linspace(0.0, 2 * np.pi, AZIMUTHS, endpoint=False)
    rim_mm = frame.rim_radius_mm * np.column_stack([np.cos(turn), np.sin(turn)])
    image = frame.project(np.column_stack([rim_mm, np.full(AZIMUTHS, -2 * pool.depth_mm)]))
    edge_mm = pool.outline_mm
    seen_at = polygon.radial_profile(
        frame.to_plane(image, pool.depth_mm), (0.0, 0.0), np.arctan2(edge_mm[:, 1], edge_mm[:, 0])
    )
    off = np.hypot(edge_mm[:, 0], edge_mm[:, 1]) - seen_at
    mirrored = pool.free & (np.abs(off) < MIRRORED * frame.inner_radius_mm(pool.depth_mm))
    if mirrored.sum() < MIRROR_SHARE * max(pool.free.sum(), 1):
        return pool
    hidden = pool.hidden | mirrored
    gap = _across_hidden(pool.wall_mm - pool.radius_mm, hidden)
    return replace(
        pool, radius_mm=pool.wall_mm - gap, free=pool.free & ~mirrored, hidden=hidden, seen_mm=pool.radius_mm
    )


def _without_notches(pool: Pool, least_mm: float) -> Pool:
    """The pool with notches deeper than `least_mm` filled up. The melt about one wick has none: an isotherm about a
    single source of heat is convex (common practice, no source); what looks like one is glare, shadow or a crumb."""
    hull = polygon.convex_hull(pool.outline_mm)
    across = polygon.radial_profile(hull, pool.centre_mm, np.arctan2(*RAY_DIRECTIONS.T[::-1]))
    depth = np.where(pool.free, across - pool.radius_mm, 0.0)
    notch = depth > least_mm
    if not notch.any():
        return pool
    for _ in range(len(depth)):  # from its deepest place to where the hull touches the outline
        notch = notch | ((np.roll(notch, 1) | np.roll(notch, -1)) & (depth > 0.02 * least_mm))
    return replace(
        pool, radius_mm=np.where(notch, across, pool.radius_mm), free=pool.free & ~notch, hidden=pool.hidden | notch
    )


def to_circle(centre: Array, directions: Array, radius: float) -> Array:
    """Distance from a point inside a circle about the origin to the circle along each direction."""
    along = directions @ centre
    return -along + np.sqrt(np.maximum(along**2 - centre @ centre + radius**2, 0.0))


def _across_hidden(gap_mm: Array, hidden: Flags) -> Array:
    """The gap to the wall, carried across hidden rays from both sides; a pool seen nowhere at its edge is full."""
    if hidden.all():
        return np.zeros_like(gap_mm)
    index = np.arange(len(gap_mm))
    seen = index[~hidden]
    return np.interp(index, seen, gap_mm[~hidden], period=len(gap_mm))


def _without_spikes(radius: Array, reach: int = 3) -> Array:
    """Running median over neighbouring rays: glints and crumbs make spikes, pools do not."""
    stack = np.stack([np.roll(radius, k) for k in range(-reach, reach + 1)])
    return np.asarray(np.median(stack, axis=0))
