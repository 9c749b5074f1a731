"""Measures of a closed outline, best taken in millimetres of its own plane.

A polygon is an (N, 2) array of corners in order, either way round, the last joined to the first. Area, centroid and
radial profile also take many polygons at once, (..., N, 2).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def area(polygon: ArrayLike) -> Array:
    """Area (...) enclosed by a curve that does not cross itself, in the square of the input's unit (shoelace)."""
    _, _, cross = _sides(_corners(polygon))
    return np.asarray(0.5 * np.abs(cross.sum(-1)))


def centroid(polygon: ArrayLike) -> Array:
    """Centre (..., 2) of the enclosed *area*; uneven spacing of the corners does not move it.

    A curve that encloses nothing has no such centre: ValueError.
    """
    corners = _corners(polygon)
    here, following, cross = _sides(corners)
    twice_area = cross.sum(-1)
    if np.any(np.abs(twice_area) <= 1e-12 * np.ptp(corners, axis=-2).max(-1) ** 2):
        raise ValueError("the outline encloses no area")
    moment = (cross[..., None, :] @ (here + following))[..., 0, :]
    return np.asarray(corners.mean(axis=-2) + moment / (3.0 * twice_area[..., None]))


def equivalent_diameter(polygon: ArrayLike) -> Array:
    """Diameter (...) of the circle with the same area, 2*sqrt(A/pi)."""
    return np.asarray(2.0 * np.sqrt(area(polygon) / math.pi))


def feret_diameters(polygon: ArrayLike) -> tuple[float, float]:
    """Smallest and largest calliper (Feret) diameter, exactly.

    The smallest width of a convex polygon is met with one jaw flush on a side, the largest between two corners
    (Shamos, "Computational geometry", thesis, Yale 1978).
    """
    hull = convex_hull(polygon)
    x, y = hull.T
    largest = math.sqrt(((x[:, None] - x) ** 2 + (y[:, None] - y) ** 2).max())
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
    """Distance from ``centre`` to the outline along each direction, an array (...) + the shape of ``angles_rad``.

    ``angles_rad`` grow from +x towards +y. Where a ray crosses the curve more than once the outermost crossing
    counts; where it never does (a centre outside the curve) the answer is nan.
    """
    corners = _corners(polygon) - np.asarray(centre, dtype=float)
    closed = np.concatenate([corners, corners[..., :1, :]], axis=-2)
    angles = np.asarray(angles_rad, dtype=float)
    cos, sin = np.cos(angles).ravel(), np.sin(angles).ravel()
    along, aside = (closed @ np.stack(axes) for axes in ([cos, sin], [-sin, cos]))  # (..., corners, rays)
    left = aside > 0
    *which, side, ray = np.nonzero(left[..., 1:, :] != left[..., :-1, :])
    (x0, y0), (x1, y1) = ((along[*which, at, ray], aside[*which, at, ray]) for at in (side, side + 1))
    reach = x0 + (x1 - x0) * y0 / (y0 - y1)
    distance = np.full((*corners.shape[:-2], len(cos)), -1.0)
    np.maximum.at(distance, (*which, ray), reach)
    return np.where(distance >= 0, distance, np.nan).reshape(*corners.shape[:-2], *angles.shape)


def _sides(corners: Array) -> tuple[Array, Array, Array]:
    """Start and end (..., N, 2) of each side about the mean corner, and their cross product (..., N)."""
    here = corners - corners.mean(axis=-2, keepdims=True)
    following = np.roll(here, -1, axis=-2)
    return here, following, here[..., 0] * following[..., 1] - following[..., 0] * here[..., 1]


def _corners(polygon: ArrayLike) -> Array:
    corners = np.asarray(polygon, dtype=float)
    if corners.ndim < 2 or corners.shape[-1] != 2 or corners.shape[-2] < 3:
        raise ValueError(f"an outline is an (N, 2) array with N >= 3, got shape {corners.shape}")
    if not np.isfinite(corners).all():
        raise ValueError("an outline's corners must be finite numbers")
    return corners
