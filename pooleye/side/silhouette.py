"""A vessel's pose from the region that the network takes for it: the frustum whose silhouette and mouth fill the maps.

First guesses come from the region's extent and the mouth's place and shape; each is then drawn to where the maps
change from yes to no along its outline, by the same steps as the fit to the picture's edges (`fit.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.side.fit import solved
from pooleye.side.maps import Map, Maps
from pooleye.side.outline import LINES, outline_lines, outline_mm, outline_normals_px, sampled
from pooleye.side.pose import Frustum, Poses, SidePose

Array = NDArray[np.float64]

LOOKS = (12.0, 9.0, 6.0, 5.0, 4.0, 3.0)  # pixels of the maps, to either side of the outline
STEP = 0.5
HELD_STEPS = 3  # in which the tilt is held: a wrong one lets the rim's two halves take each other's borders
FREE = np.full(5, np.inf)
HELD = np.array([np.inf, np.inf, np.inf, np.inf, np.radians(0.1)])
ABOUT_TILT_DEG = (-4.0, 0.0, 4.0)  # about the tilt that the mouth's shape tells
MOST_ROLL = 0.2
LEAST_AREA = 60  # pixels of the maps
UNSEEN = 0.1  # weight of an outline point that finds no border within its look
SURELY_NOT = -4.0
MOUTH_WEIGHT = 0.15
ASIDE, ABOVE, BELOW = 0.5, 0.9, 0.35  # of the region's longer side, in a closer look
ENOUGH = 0.75  # of the picture: a part so large is not worth one
HEIGHTS = (0.35, 3.0)  # of the outer diameter
HEIGHT_STEPS = 5
LEAST_WAX = 0.1  # of the height


@dataclass(frozen=True, eq=False)
class Region:
    """The part of the map taken for the vessel: mask (h, w), its extent along and across its axis, its mouth."""

    mask: NDArray[np.bool_]
    middle: Array
    mouth: Array | None
    mouth_axes: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Filled:
    """A pose in the maps' pixels; `overlap`: share of the union of region and silhouette that is in both, likewise of
    the mouth; covariance (5, 5) and scatter of the outline about the regions' borders."""

    poses: Poses
    overlap: float
    mouth_overlap: float
    covariance: Array
    scatter: float


def region_of(maps: Maps) -> Region | None:
    """The region that has a mouth and a flame, else the largest; None where none may be a vessel."""
    count, labels, boxes, middles = cv2.connectedComponentsWithStats((maps.vessel > 0).astype(np.uint8), connectivity=4)
    areas = boxes[:, cv2.CC_STAT_AREA]
    large = [k for k in range(1, count) if areas[k] >= LEAST_AREA]
    if not large:
        return None
    reach = {k: cv2.dilate((labels == k).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0 for k in large}
    told = (maps.mouth > 0).astype(int) + (maps.flame > 0)
    best = max(large, key=lambda k: (int(told[reach[k]].sum()), areas[k]))
    mask, around = labels == best, reach[best]
    y, x = np.nonzero((maps.mouth > 0) & around)
    if len(x) < 4:
        return Region(mask, middles[best], None, (0.0, 0.0))
    spread = np.linalg.eigvalsh(np.cov(np.stack([x, y])) + np.eye(2) / 12)
    return Region(
        mask, middles[best], np.array([x.mean(), y.mean()]), (float(spread[1]) ** 0.5, float(spread[0]) ** 0.5)
    )


def closer(maps: Maps, region: Region, size_px: tuple[int, int]) -> tuple[slice, slice] | None:
    """Rows and columns of the working picture, `size_px` = (width, height), that show the region, and a flame above it,
    large; None where the maps do already."""
    rows, columns = about(maps, region, size_px, (ASIDE, ABOVE, ASIDE, BELOW))
    if max(columns.stop - columns.start, rows.stop - rows.start) > ENOUGH * max(size_px):
        return None
    return rows, columns


def about(
    maps: Maps, region: Region, size_px: tuple[int, int], margins: tuple[float, float, float, float]
) -> tuple[slice, slice]:
    """Rows and columns of the working picture that show the region with margins to its left, above, to its right and
    below, as shares of its longer side."""
    y, x = np.nonzero(region.mask)
    box = np.array([x.min(), y.min(), x.max() + 1, y.max() + 1], float)
    long = max(box[2] - box[0], box[3] - box[1])
    edges = (box + long * np.array(margins) * [-1, -1, 1, 1]) / maps.scale + np.tile(maps.corner, 2)
    left, top, right, bottom = np.clip(edges, 0, np.tile(size_px, 2)).astype(int)
    return slice(int(top), int(bottom)), slice(int(left), int(right))


def filled(maps: Maps, region: Region, frustum: Frustum, camera: Camera, *, height_known: bool) -> Filled:
    """The pose that fills the region best; `camera` is that of the maps. Where the height is not known, the frustum
    found has the height that shows."""
    for _ in range(0 if height_known else HEIGHT_STEPS):
        upright = _best(maps, region, Poses(frustum, camera, _starts(region, frustum, camera)), free_foot=True)
        frustum = _stretched(maps, region, upright.poses)
    return _best(maps, region, Poses(frustum, camera, _starts(region, frustum, camera)))


def wax_height_mm(maps: Maps, pose: SidePose) -> float | None:
    """How high the wax stands that the maps show behind the wall; None where they show none.

    A level's farthest point is the highest that is seen of it from above, its nearest from below.
    """
    height = pose.frustum.height_mm
    levels = np.linspace(0.1 * height, height, 120)
    above = np.array([pose.poses.lens_above_mm(float(level))[0] > 0 for level in levels])
    points = pose.poses.points_px(
        np.where(above, np.pi, 0.0)[None], levels[None], pose.frustum.radius_mm(levels)[None]
    )[0]
    at = np.column_stack([points, np.ones(len(points))]) @ maps.to_map().T
    shown = sampled(maps.wax, at[:, :2], outside=SURELY_NOT) > 0
    if shown.mean() < LEAST_WAX:
        return None
    return float(levels[np.flatnonzero(shown)[-1]])


def _starts(region: Region, frustum: Frustum, camera: Camera) -> Array:
    """Poses (N, 5) of different tilts that are about as wide as the region."""
    roll = 0.0
    if region.mouth is not None:
        x, y = region.mouth - region.middle
        roll = float(np.clip(np.arctan2(x, max(-y, 1e-3)), -MOST_ROLL, MOST_ROLL))
    up, across = np.array([np.sin(roll), -np.cos(roll)]), np.array([np.cos(roll), np.sin(roll)])
    y, x = np.nonzero(region.mask)
    points = np.stack([x, y], axis=1) - region.middle
    along, aside = points @ up, points @ across
    width = float(np.ptp(aside[np.abs(along - np.median(along)) < 0.25 * np.ptp(along)])) + 1.0
    share = min(width / (2 * camera.f_px), 0.7)
    distance = min(frustum.middle_radius_mm / share, 5000.0) / np.sqrt(1 + share**2)
    middle = region.middle + up * (along.max() + along.min()) / 2
    rim = region.middle + up * along.max() if region.mouth is None else region.mouth
    ray = float(np.arctan2(rim[1] - camera.cy_px, camera.f_px))
    major, minor = region.mouth_axes
    elevation = float(np.arcsin(np.clip(minor / major, 0.0, 0.7))) if major > 0 else 0.0
    tilts = np.array([-elevation, *(elevation + np.radians(ABOUT_TILT_DEG))]) - ray
    return np.array([[*middle, np.log(distance), roll, tilt] for tilt in tilts])


def _best(maps: Maps, region: Region, poses: Poses, *, free_foot: bool = False) -> Filled:
    """The best of the poses, each drawn to the borders of the region, the tilt held at first; with `free_foot` the
    foot's line pulls at none."""
    vessel = _only(region, maps)
    for index, look in enumerate(LOOKS):
        points, parts = outline_mm(poses)
        seen = poses.seen_px(points)
        normals = outline_normals_px(seen, parts)
        offset, weight = _borders(vessel, maps.mouth, seen, normals, parts, look)
        if free_foot:
            weight[:, parts[LINES.index("base")]] = 0.0
        rein = HELD if index < HELD_STEPS else FREE
        moves, covariances, scatters, _ = solved(poses.slopes_px(points, normals), offset, weight, look, poses, rein)
        poses = poses.moved(moves)
    bodies, mouths = _overlaps(maps, region, poses)
    best = int(np.argmax(bodies + MOUTH_WEIGHT * mouths))
    chosen = Poses(poses.frustum, poses.camera, poses.vectors[[best]])
    return Filled(chosen, float(bodies[best]), float(mouths[best]), covariances[best], float(scatters[best]))


def _only(region: Region, maps: Maps) -> Map:
    """The vessel's map without other regions."""
    near = cv2.dilate(region.mask.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    return np.where(near, maps.vessel, np.float32(SURELY_NOT)).astype(np.float32)


def _stretched(maps: Maps, region: Region, poses: Poses) -> Frustum:
    """The vessel with its foot where the region ends."""
    points, parts = outline_mm(poses)
    seen = poses.seen_px(points)
    normals = outline_normals_px(seen, parts)
    offset, weight = _borders(_only(region, maps), maps.mouth, seen, normals, parts, LOOKS[0])
    base = parts[LINES.index("base")]
    frustum, depth, roll = poses.frustum, float(np.exp(poses.vectors[0, 2])), float(poses.vectors[0, 3])
    down = np.array([-np.sin(roll), np.cos(roll)])
    moved = (offset[:, base] * (normals[:, base] @ down))[0]
    further = float(np.average(moved, weights=weight[0, base])) * depth / poses.camera.f_px
    diameter = 2 * max(frustum.rim_radius_mm, frustum.base_radius_mm)
    height = float(np.clip(frustum.height_mm + further, HEIGHTS[0] * diameter, HEIGHTS[1] * diameter))
    return replace(frustum, height_mm=height)


def _borders(
    vessel: Map, mouth: Map, seen: Array, normals: Array, parts: list[slice], look: float
) -> tuple[Array, Array]:
    """How far along its normal each outline point (1, M, 2) is from the region's border, and its weight."""
    steps = np.arange(-look, look + STEP / 2, STEP)
    offset, weight = np.zeros(seen.shape[:2]), np.zeros(seen.shape[:2])
    whole = np.concatenate([seen[:, part] for name, part in zip(LINES, parts, strict=True) if name != "rim-inside"], 1)
    ring = np.concatenate([seen[:, parts[LINES.index(name)]] for name in ("rim-top", "rim-inside")], 1)
    for name, part in zip(LINES, parts, strict=True):
        centre = (ring if name == "rim-inside" else whole).mean(axis=1, keepdims=True)
        outward = np.sign(((seen[:, part] - centre) * normals[:, part]).sum(axis=-1, keepdims=True))
        direction = normals[:, part] * outward
        at = seen[:, part, None] + steps[:, None] * direction[..., None, :]
        values = sampled(mouth if name == "rim-inside" else vessel, at, outside=SURELY_NOT)
        found, sure = _last_inside(values, steps)
        offset[:, part], weight[:, part] = found * outward[..., 0], sure
    return offset, weight


def _last_inside(values: Array, steps: Array) -> tuple[Array, Array]:
    """Where along each row (..., K) the values fall below 0, nearest to the row's middle, and how much to trust it."""
    falls = (values[..., :-1] > 0) & (values[..., 1:] <= 0)
    share = values[..., :-1] / np.where(falls, values[..., :-1] - values[..., 1:], 1.0)
    places = np.where(falls, steps[:-1] + STEP * share, np.inf)
    nearest = np.take_along_axis(places, np.abs(places).argmin(axis=-1)[..., None], axis=-1)[..., 0]
    none = ~falls.any(axis=-1)
    inside = values[..., len(steps) // 2] > 0
    return np.where(none, np.where(inside, steps[-1], steps[0]), nearest), np.where(none, UNSEEN, 1.0)


def _overlaps(maps: Maps, region: Region, poses: Poses) -> tuple[Array, Array]:
    """For each pose the overlap of its silhouette with the region, and of its rim with the mouth."""
    lines = outline_lines(poses)
    rims = poses.circle_px(poses.frustum.height_mm, np.linspace(0, 2 * np.pi, 60, endpoint=False))
    bodies = np.concatenate([rims, *(lines[name] for name in ("left", "right", "base"))], axis=1)
    near = cv2.dilate(region.mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    mouth = (maps.mouth > 0) & near
    return np.array([_overlap(body, region.mask) for body in bodies]), np.array([_overlap(rim, mouth) for rim in rims])


def _overlap(outline: Array, region: NDArray[np.bool_]) -> float:
    # drawn three times as fine, since filling takes in every pixel that it touches
    fine = np.zeros((3 * region.shape[0], 3 * region.shape[1]), np.uint8)
    cv2.fillConvexPoly(fine, cv2.convexHull(np.round((3 * outline + 1) * 16).astype(np.int32)), 1, cv2.LINE_8, 4)
    drawn = fine[1::3, 1::3]
    both, either = int((region & (drawn > 0)).sum()), int((region | (drawn > 0)).sum())
    return both / max(either, 1)
