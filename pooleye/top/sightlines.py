"""Lines of sight into the vessel: at which depth each pixel's line, having passed the mouth, meets the inner wall.

With it wax and wall are told apart by one number: a pixel shows wax, not wall, where the wax lies above that depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.planes import VesselFrame, azimuth_of

Array = NDArray[np.float64]
Floats = NDArray[np.float32]
ENDLESS_MM = 1e6  # a line straight down a straight vessel never meets its wall


@dataclass(frozen=True, eq=False)
class Sightlines:
    """For pixels (N, 2): where each line crosses the mouth (N, 2) mm, its slope (N, 2) mm per mm of depth, whether it
    passes the mouth (N,), and the depth (N,) mm below the rim at which it meets the wall."""

    at_mouth_mm: Array
    slope: Array
    through: NDArray[np.bool_]
    wall_depth_mm: Array

    def wall_azimuth(self) -> Array:
        """Azimuth (N,) of the wall point each line meets."""
        return azimuth_of(self.at_mouth_mm + self.slope * np.minimum(self.wall_depth_mm, 1e3)[:, None])


def sightlines(frame: VesselFrame, px: ArrayLike) -> Sightlines:
    """Solves |p + s d| = R(d) for the depth d, p the crossing of the mouth, s the slope, R the wall's radius."""
    p = frame.to_plane(px, 0.0)
    s = frame.to_plane(px, 1.0) - p
    radius = frame.inner_radius_mm(0.0)
    narrowing = radius - frame.inner_radius_mm(1.0)
    a = (s**2).sum(1) - narrowing**2
    b = (p * s).sum(1) + radius * narrowing
    c = (p**2).sum(1) - radius**2
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    # the stable form of the smaller positive root; c < 0 inside the mouth
    with np.errstate(divide="ignore", invalid="ignore"):
        depth = -c / (b + root)
    depth = np.where(np.isfinite(depth) & (depth > 0), depth, ENDLESS_MM)
    return Sightlines(p, s, c < 0, depth)


@dataclass(frozen=True, eq=False)
class Circles:
    """Where a rim circle may stand: centres and normals (P, 3), each seen with its own focal length (P,) by cameras
    that are otherwise alike."""

    centres_mm: Array
    normals: Array
    focals_px: Array
    camera: Camera


def wall_depths_mm(rims: Circles, px: Array, radius_mm: float, narrowing: float) -> Floats:
    """As `sightlines`, for many rims and pixels (N, 2) at once: only the depth (P, N) at which each line meets the
    wall, 0 where it does not pass the mouth. `narrowing`: of the radius, mm per mm of depth.

    A line of sight v meets the rim's plane at p = h v / k - c and goes on with slope s = n - v / k, where n, c are the
    normal and centre, h = n.c and k = n.v; so |s|, |p| and p.s need n.v and c.v only.
    """
    focal = rims.focals_px[:, None]
    x, y = (px - [rims.camera.cx_px, rims.camera.cy_px]).T
    lines = np.stack([x, y, np.ones_like(x)])
    scale = np.column_stack([1 / focal, 1 / focal, np.ones_like(focal)])
    k = ((rims.normals * scale) @ lines).astype(np.float32)
    along = ((rims.centres_mm * scale) @ lines).astype(np.float32) / k
    steep = ((x**2 + y**2) / focal**2 + 1).astype(np.float32) / k**2
    h = (rims.normals * rims.centres_mm).sum(1)[:, None].astype(np.float32)
    away = (rims.centres_mm**2).sum(1)[:, None].astype(np.float32)
    radius, taper = np.float32(radius_mm), np.float32(narrowing)
    a = steep - 1 - taper**2
    b = along - h * steep + radius * taper
    c = h**2 * steep - 2 * h * along + away - radius**2
    root = np.sqrt(np.maximum(b * b - a * c, 0.0))
    depth = -c / np.maximum(b + root, np.float32(1e-6))  # as in `sightlines`
    return np.asarray(np.where(c < 0, np.minimum(depth, np.float32(ENDLESS_MM)), np.float32(0.0)), np.float32)
