"""Measures of a closed outline, best taken in millimetres of its own plane.

A polygon is an (N, 2) array of corners in order, either way round, the last joined to the first.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def signed_area(polygon: ArrayLike) -> float:
    """Shoelace area, in the square of the input's unit; positive when the corners run from +x towards +y."""
    corners = _corners(polygon)
    shifted = corners - corners.mean(axis=0)
    x, y = shifted[:, 0], shifted[:, 1]
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def area(polygon: ArrayLike) -> float:
    """Area enclosed by a curve that does not cross itself."""
    return abs(signed_area(polygon))


def centroid(polygon: ArrayLike) -> Array:
    """Centre of the enclosed *area* as (2,); uneven spacing of the corners does not move it.

    A curve that encloses nothing has no such centre: ValueError.
    """
    corners = _corners(polygon)
    origin = corners.mean(axis=0)
    here = corners - origin
    following = np.roll(here, -1, axis=0)
    cross = here[:, 0] * following[:, 1] - following[:, 0] * here[:, 1]
    twice_area = float(cross.sum())
    extent = float(np.ptp(corners, axis=0).max())
    if abs(twice_area) <= 1e-12 * extent**2:
        raise ValueError("the outline encloses no area")
    moment: Array = ((here + following) * cross[:, None]).sum(axis=0)
    return np.asarray(origin + moment / (3.0 * twice_area))


def equivalent_diameter(polygon: ArrayLike) -> float:
    """Diameter of the circle with the same area, 2*sqrt(A/pi)."""
    return 2.0 * math.sqrt(area(polygon) / math.pi)


def feret_diameters(polygon: ArrayLike) -> tuple[float, float]:
    """Smallest and largest calliper (Feret) diameter, exactly.

    The smallest width of a convex polygon is met with one jaw flush on a side, the largest between two corners
    (Shamos, "Computational geometry", thesis, Yale 1978).
    """
    hull = convex_hull(polygon)
    gaps = hull[:, None, :] - hull[None, :, :]
    largest = float(np.sqrt((gaps**2).sum(axis=2).max()))
    sides = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(sides[:, 0], sides[:, 1])
    solid = lengths > 0
    if len(hull) < 3 or not solid.any():
        return 0.0, largest
    normals = np.stack([-sides[solid, 1], sides[solid, 0]], axis=1) / lengths[solid, None]
    spans = hull @ normals.T
    return float(np.ptp(spans, axis=0).min()), largest


def convex_hull(polygon: ArrayLike) -> Array:
    """Corners of the convex hull as (M, 2), in order."""
    import cv2

    corners = _corners(polygon)
    centred = corners - corners.mean(axis=0)
    index = cv2.convexHull(centred.astype(np.float32), returnPoints=False)
    return np.asarray(corners[np.asarray(index).ravel()])


def radial_profile(polygon: ArrayLike, centre: ArrayLike, angles_rad: ArrayLike) -> Array:
    """Distance from ``centre`` to the outline along each direction, as an array like ``angles_rad``.

    ``angles_rad`` grow from +x towards +y. Where a ray crosses the curve more than once the outermost crossing
    counts; where it never does (a centre outside the curve) the answer is nan.
    """
    starts = _corners(polygon) - np.asarray(centre, dtype=float)
    sides = np.roll(starts, -1, axis=0) - starts
    angles = np.asarray(angles_rad, dtype=float)
    directions = np.stack([np.cos(angles).ravel(), np.sin(angles).ravel()], axis=1)
    denominator = directions[:, :1] * sides[:, 1] - directions[:, 1:] * sides[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        along_ray = (starts[:, 0] * sides[:, 1] - starts[:, 1] * sides[:, 0]) / denominator
        along_side = (starts[:, 0] * directions[:, 1:] - starts[:, 1] * directions[:, :1]) / denominator
        slack = 1e-9
        hit = (along_ray >= 0) & (along_side >= -slack) & (along_side <= 1 + slack)
    distance = np.where(hit, along_ray, -np.inf).max(axis=1)
    return np.where(np.isfinite(distance), distance, np.nan).reshape(angles.shape)


def _corners(polygon: ArrayLike) -> Array:
    corners = np.asarray(polygon, dtype=float)
    if corners.ndim != 2 or corners.shape[1] != 2 or len(corners) < 3:
        raise ValueError(f"an outline is an (N, 2) array with N >= 3, got shape {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("an outline's corners must be finite numbers")
    return corners
