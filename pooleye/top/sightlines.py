"""Lines of sight into the vessel: at which depth each pixel's line, having passed the mouth, meets the inner wall.

With it wax and wall are told apart by one number: a pixel shows wax, not wall, where the wax lies above that depth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics.planes import VesselFrame, azimuth_of

Array = NDArray[np.float64]
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
