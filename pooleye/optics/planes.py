"""The vessel in space: from millimetres in any level plane of it to pixels, and back.

Vessel frame, mm: origin at the centre of the rim circle, z along the vessel's axis out of the mouth (towards the
camera), y towards the rim point that the picture shows straight above the image of that centre, x to the right of it.
Depth is -z: positive below the rim. Azimuth runs from +y towards +x, that is clockwise as seen, 0 = up in the picture.

Planes map to the picture by homographies (Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section 8.1);
seen square-on this reduces to similar triangles, true = apparent * (D + depth) / D for a lens D above the rim.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.circle_pose import CirclePose
from pooleye.optics.ellipse import Ellipse

Array = NDArray[np.float64]

SECTORS = 12


@dataclass(frozen=True)
class VesselFrame:
    """A round vessel with its rim circle at ``pose``, seen by ``camera``.

    ``base_inner_radius_mm`` with ``height_mm`` (rim to base) describes a straight taper; without them the wall is a
    cylinder. ``rim_centre_px`` is the image of the rim circle's centre (which is not the centre of its ellipse: in a
    tilted view the near half looks larger). Directions by the clock are taken about it.
    """

    pose: CirclePose
    camera: Camera
    rim_radius_mm: float
    base_inner_radius_mm: float | None = None
    height_mm: float | None = None
    rim_centre_px: Array = field(init=False, repr=False, compare=False)
    _axes: Array = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if not self.rim_radius_mm > 0:
            raise ValueError(f"the rim needs a positive radius, got {self.rim_radius_mm} mm")
        if self.base_inner_radius_mm is not None and not (self.height_mm and self.height_mm > 0):
            raise ValueError("a tapered vessel needs its height, or nothing says how fast it narrows")
        object.__setattr__(self, "_axes", _any_axes(self.pose.normal))
        object.__setattr__(self, "rim_centre_px", self.project([[0.0, 0.0, 0.0]])[0])
        object.__setattr__(self, "_axes", self._upright_axes())

    def project(self, xyz_mm: ArrayLike) -> Array:
        """Pixels (N, 2) of points (N, 3) in the vessel frame."""
        xyz = np.atleast_2d(np.asarray(xyz_mm, dtype=float))
        rays = (self.pose.centre_mm + xyz @ self._axes) @ self.camera.matrix().T
        return np.asarray(rays[:, :2] / rays[:, 2:])

    def plane_homography(self, depth_mm: float) -> Array:
        """3x3 matrix from (x, y, 1), mm in the plane ``depth_mm`` below the rim, to homogeneous pixels."""
        centre = self.pose.centre_mm - depth_mm * self._axes[2]
        return np.asarray(self.camera.matrix() @ np.stack([self._axes[0], self._axes[1], centre], axis=1))

    def to_plane(self, px: ArrayLike, depth_mm: float) -> Array:
        """Millimetres (N, 2) in the plane ``depth_mm`` below the rim of what is seen at pixels (N, 2).

        Pixels at or beyond the plane's horizon see nothing of it: nan.
        """
        pixels = np.atleast_2d(np.asarray(px, dtype=float))
        homogeneous = np.column_stack([pixels, np.ones(len(pixels))])
        mapped = homogeneous @ np.linalg.inv(self.plane_homography(depth_mm)).T
        return np.where(mapped[:, 2:] > 0, mapped[:, :2] / np.where(mapped[:, 2:] > 0, mapped[:, 2:], 1.0), np.nan)

    def inner_radius_mm(self, depth_mm: float) -> float:
        """Radius of the inner wall ``depth_mm`` below the rim; a taper goes on in a straight line."""
        if self.base_inner_radius_mm is None or self.height_mm is None:
            return self.rim_radius_mm
        narrowing = (self.rim_radius_mm - self.base_inner_radius_mm) / self.height_mm
        return self.rim_radius_mm - narrowing * depth_mm

    def wall_point(self, azimuth_rad: ArrayLike, depth_mm: ArrayLike) -> Array:
        """Points (N, 3) of the inner wall in the vessel frame."""
        azimuth, depth = np.broadcast_arrays(
            np.atleast_1d(np.asarray(azimuth_rad, dtype=float)), np.asarray(depth_mm, dtype=float)
        )
        radius = self.rim_radius_mm - (self.rim_radius_mm - self.inner_radius_mm(1.0)) * depth
        return np.stack([radius * np.sin(azimuth), radius * np.cos(azimuth), -depth], axis=-1)

    def wall_circle_px(self, depth_mm: float, n: int = 360) -> Array:
        """Pixels (n, 2) of the inner wall's circle at this depth, from azimuth 0 clockwise in even steps."""
        return self.project(self.wall_point(np.arange(n) * (2 * math.pi / n), depth_mm))

    def circle_ellipse(self, radius_mm: float, depth_mm: float) -> Ellipse:
        """The ellipse in the picture of a circle about the vessel's axis."""
        to_plane = np.linalg.inv(self.plane_homography(depth_mm))
        circle = np.diag([1.0, 1.0, -(radius_mm**2)])
        return Ellipse.from_conic(to_plane.T @ circle @ to_plane)

    def rim_ellipse(self) -> Ellipse:
        """The ellipse of the rim circle itself."""
        return self.circle_ellipse(self.rim_radius_mm, 0.0)

    def clock_deg(self, azimuth_rad: ArrayLike) -> Array:
        """Angle in [0, 360), clockwise from up, at which the picture shows the rim point of that azimuth.

        Taken about ``rim_centre_px``; differs from the azimuth by the foreshortening of the tilt.
        """
        azimuth = np.asarray(azimuth_rad, dtype=float)
        pixels = self.project(self.wall_point(azimuth.ravel(), 0.0)) - self.rim_centre_px
        clock = np.degrees(np.arctan2(pixels[:, 0], -pixels[:, 1])) % 360.0
        return np.where(clock >= 360.0, 0.0, clock).reshape(azimuth.shape)

    def azimuth_of_clock(self, clock_deg: ArrayLike) -> Array:
        """Azimuth in [0, 2 pi) of the rim point seen at that clock angle; the inverse of `clock_deg`."""
        clock = np.radians(np.asarray(clock_deg, dtype=float))
        # A straight line through the axis stays one in the picture: one pixel away is as good as at the rim.
        pixels = self.rim_centre_px + np.stack([np.sin(clock.ravel()), -np.cos(clock.ravel())], axis=1)
        return azimuth_of(self.to_plane(pixels, 0.0)).reshape(clock.shape)

    def sector_of_azimuth(self, azimuth_rad: ArrayLike) -> NDArray[np.intp]:
        """Which of 12 sectors of 30 degrees, sector 0 centred on up in the picture, clockwise as seen."""
        width = 360.0 / SECTORS
        return np.asarray(np.floor(self.clock_deg(azimuth_rad) / width + 0.5), dtype=np.intp) % SECTORS

    def _upright_axes(self) -> Array:
        """Axes (rows x, y, z) turned so that azimuth 0 is the rim point straight above the rim's centre."""
        above = [self.rim_centre_px[0], self.rim_centre_px[1] - 1.0, 1.0]
        ray = np.linalg.inv(self.camera.matrix()) @ above
        z, centre = self._axes[2], self.pose.centre_mm
        # a straight line through the axis stays one in the picture: one pixel away is as good as at the rim
        up = ray * float(z @ centre) / float(z @ ray) - centre
        up /= np.linalg.norm(up)
        return np.stack([_cross(up, z), up, z])


def azimuth_of(xy_mm: ArrayLike) -> Array:
    """Azimuth in [0, 2 pi) of plane points (N, 2): from +y towards +x, clockwise as seen."""
    xy = np.asarray(xy_mm, dtype=float)
    azimuth = np.arctan2(xy[..., 0], xy[..., 1]) % (2 * math.pi)
    return np.where(azimuth >= 2 * math.pi, 0.0, azimuth)


def _any_axes(normal: Array) -> Array:
    """Some right-handed axes with z along the normal, x as near to the picture's right as can be."""
    x = np.array([1.0, 0.0, 0.0]) - normal[0] * normal
    x = x / np.linalg.norm(x)
    return np.stack([x, _cross(normal, x), normal])


def _cross(a: Array, b: Array) -> Array:
    """Of two vectors (3,); NumPy's own, made for many, takes six times as long."""
    (ax, ay, az), (bx, by, bz) = a.tolist(), b.tolist()
    return np.array([ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx])
