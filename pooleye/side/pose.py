"""A round vessel seen from the side: where its walls, rim and base fall in the picture, and the way back to
millimetres.

Camera frame, mm: x right, y down, z forward, the lens at the origin. Vessel: an upright frustum on its axis;
heights are counted from its underside up the axis, azimuth 0 faces the camera, positive to the right. A pose is
described by where the middle of the axis falls in the picture, how far away it is, and which way the axis points.

The outline of a cone or cylinder is where its surface is seen edge-on, n(azimuth) . P = 0 for the normal n at the
surface point P (Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section 8.4, "contour generator"). For a
frustum that is a straight line up the wall on each side, at azimuth +-phi with cos(phi) = (r - k c.a) / |c_perp| (r
the radius at the middle, k its growth per mm up the axis, c the middle, a the axis): the wall is seen nearer than
the axis, and wider by 1/sqrt(1 - (r/D)^2). For D 200 mm and r 40 mm that is 1.020621.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics.camera import Camera

Array = NDArray[np.float64]

#: Order of the numbers that describe a pose: px, px, ln(mm), rad, rad.
PARAMETERS = ("x", "y", "log-distance", "roll", "tilt")
LONGEST_STEP = np.array([np.inf, np.inf, 0.3, np.inf, np.inf])


@dataclass(frozen=True)
class Frustum:
    """Outer shape of a vessel, mm; `base_rounding_mm` is the radius of the edge at its foot.

    Raises ValueError unless radii and height are above zero.
    """

    rim_radius_mm: float
    base_radius_mm: float
    height_mm: float
    base_rounding_mm: float = 0.0

    def __post_init__(self) -> None:
        if not min(self.rim_radius_mm, self.base_radius_mm, self.height_mm) > 0:
            raise ValueError(f"a vessel has positive lengths, got {self}")

    @property
    def middle_radius_mm(self) -> float:
        return (self.rim_radius_mm + self.base_radius_mm) / 2

    @property
    def widening(self) -> float:
        """Growth of the radius per mm of height."""
        return (self.rim_radius_mm - self.base_radius_mm) / self.height_mm

    def radius_mm(self, height_mm: ArrayLike) -> Array:
        """Outer radius at this height above the underside."""
        return np.asarray(self.base_radius_mm + self.widening * np.asarray(height_mm, dtype=float))


@dataclass(frozen=True, eq=False)
class Poses:
    """Poses (N) of one frustum before one camera; `vectors` is (N, 5) in the order of PARAMETERS."""

    frustum: Frustum
    camera: Camera
    vectors: Array

    def moved(self, moves: Array) -> Poses:
        """After one step (N, 5) of a fit; edges in noise may ask for longer ones."""
        return Poses(self.frustum, self.camera, self.vectors + np.clip(moves, -LONGEST_STEP, LONGEST_STEP))

    def frames(self) -> tuple[Array, Array, Array, Array]:
        """Middle of the axis in mm, axis upwards, direction to the camera, direction to the right; each (N, 3)."""
        return self._frames

    @cached_property
    def _frames(self) -> tuple[Array, Array, Array, Array]:
        x, y, log_distance, roll, tilt = self.vectors.T
        depth = np.exp(log_distance)
        ray_x, ray_y = (x - self.camera.cx_px) / self.camera.f_px, (y - self.camera.cy_px) / self.camera.f_px
        middle = np.stack([depth * ray_x, depth * ray_y, depth], axis=1)
        flat = np.cos(tilt)
        axis = np.stack([np.sin(roll) * flat, -np.cos(roll) * flat, -np.sin(tilt)], axis=1)
        across = middle - (middle * axis).sum(axis=1, keepdims=True) * axis
        near = -across / np.linalg.norm(across, axis=1, keepdims=True)
        return middle, axis, near, np.cross(axis, near)

    def outline_azimuth(self) -> Array:
        """Azimuth (N,) in radians at which the right-hand wall is seen edge-on."""
        return self._outline_azimuth

    @cached_property
    def _outline_azimuth(self) -> Array:
        middle, axis, near, _ = self.frames()
        away = -(middle * near).sum(axis=1)
        along = (middle * axis).sum(axis=1)
        cosine = (self.frustum.middle_radius_mm - self.frustum.widening * along) / away
        return np.asarray(np.arccos(np.clip(cosine, -0.999, 0.999)))

    def lens_above_mm(self, height_mm: float) -> Array:
        """How far (N,) the lens is above the level plane at this height of the vessel."""
        middle, axis, _, _ = self.frames()
        return np.asarray(self.frustum.height_mm / 2 - height_mm - (middle * axis).sum(axis=1))

    def foot_line_mm(self) -> Array:
        """Height (N,) at which the rounded foot's lowest visible line would lie on a sharp-edged wall.

        Seen from an elevation e, an edge of radius q hides q (sin e + cos e - 1) of a sharp edge, across the line of
        sight, and cos e of a height is seen.
        """
        middle, _, near, _ = self.frames()
        reach = -(middle * near).sum(axis=1) - self.frustum.base_radius_mm
        elevation = np.arctan2(np.maximum(self.lens_above_mm(0.0), 0.0), np.maximum(reach, 1.0))
        hidden = np.sin(elevation) + np.cos(elevation) - 1
        return np.asarray(self.frustum.base_rounding_mm * hidden / np.cos(elevation))

    def points_mm(self, azimuth_rad: Array, height_mm: Array, radius_mm: Array) -> Array:
        """M points (N, M, 3) about each pose's axis, in the camera's frame; the arguments are (N, M) or broadcast to
        it."""
        middle, axis, near, right = self.frames()
        up = np.asarray(height_mm) - self.frustum.height_mm / 2
        out, aside = radius_mm * np.cos(azimuth_rad), radius_mm * np.sin(azimuth_rad)
        found = np.empty((len(middle), *np.broadcast_shapes(np.shape(up)[-1:], out.shape[-1:]), 3))
        for k in range(3):
            found[..., k] = middle[:, None, k] + up * axis[:, None, k] + out * near[:, None, k]
            found[..., k] += aside * right[:, None, k]
        return found

    def seen_px(self, points_mm: Array) -> Array:
        """Pixels (N, M, 2) of points (N, M, 3) in the camera's frame."""
        scale = self.camera.f_px / np.maximum(points_mm[..., 2], 1.0)
        found = np.empty((*points_mm.shape[:-1], 2))
        for k, centre in enumerate((self.camera.cx_px, self.camera.cy_px)):
            found[..., k] = points_mm[..., k] * scale + centre
        return found

    def points_px(self, azimuth_rad: Array, height_mm: Array, radius_mm: Array) -> Array:
        """Pixels (N, M, 2) of `points_mm`."""
        return self.seen_px(self.points_mm(azimuth_rad, height_mm, radius_mm))

    def slopes_px(self, points_mm: Array, normals_px: Array) -> Array:
        """How points (N, M, 3) of the body move in the picture along these normals (N, M, 2) with each of PARAMETERS:
        (N, M, 5).

        The body turns rigidly. That the outline is made of other points then does not show: at the outline the
        surface is seen edge-on, so those lie in the direction of the outline itself.
        """
        middle, axis, _, _ = self.frames()
        _, _, log_distance, roll, tilt = self.vectors.T
        shift = np.exp(log_distance)[:, None, None] / self.camera.f_px
        zero, flat, low = np.zeros_like(roll), np.cos(tilt), np.sin(tilt)
        by_roll = np.stack([np.cos(roll) * flat, np.sin(roll) * flat, zero], axis=1)
        by_tilt = np.stack([-np.sin(roll) * low, np.cos(roll) * low, -flat], axis=1)
        arms = points_mm - middle[:, None]
        nearness = 1.0 / np.maximum(points_mm[..., 2], 1.0)
        # pull on a point in px per mm in each direction of the camera's frame, and its moment about the middle
        right, down = (normals_px[..., k] * nearness * self.camera.f_px for k in range(2))
        away = -(right * points_mm[..., 0] + down * points_mm[..., 1]) * nearness
        x, y, z = (arms[..., k] for k in range(3))
        moment = (y * away - z * down, z * right - x * away, x * down - y * right)
        found = np.empty((*away.shape, len(PARAMETERS)))
        found[..., 0], found[..., 1] = right * shift[..., 0], down * shift[..., 0]
        found[..., 2] = _dot(middle, (right, down, away))
        for column, moved in ((3, by_roll), (4, by_tilt)):
            found[..., column] = _dot(np.cross(axis, moved), moment)
        return found

    def wall_mm(self, side: int, share_of_height: Array) -> Array:
        """Points (N, M, 3) up the right-hand (side 1) or left-hand (-1) outline, at these shares of the height."""
        height = share_of_height * self.frustum.height_mm
        azimuth = side * self.outline_azimuth()[:, None]
        return self.points_mm(azimuth, height[None], self.frustum.radius_mm(height)[None])

    def wall_px(self, side: int, share_of_height: Array) -> Array:
        """Pixels (N, M, 2) of `wall_mm`."""
        return self.seen_px(self.wall_mm(side, share_of_height))

    def circle_mm(self, height_mm: ArrayLike, azimuth_rad: Array, radius_mm: float | None = None) -> Array:
        """Points (N, M, 3) of the outer circle (or another radius) at this height (one or (N, 1)), at azimuths (M,)
        or (N, M)."""
        radius = self.frustum.radius_mm(height_mm) if radius_mm is None else np.asarray(radius_mm)
        return self.points_mm(np.atleast_2d(azimuth_rad), np.asarray(height_mm), radius)

    def circle_px(self, height_mm: ArrayLike, azimuth_rad: Array, radius_mm: float | None = None) -> Array:
        """Pixels (N, M, 2) of `circle_mm`."""
        return self.seen_px(self.circle_mm(height_mm, azimuth_rad, radius_mm))


def _dot(vectors: Array, others: tuple[Array, Array, Array]) -> Array:
    """Scalar products (N, M) of vectors (N, 3) with the x, y and z parts, each (N, M), of others."""
    return sum(vectors[:, k, None] * others[k] for k in range(3))  # type: ignore[return-value]


@dataclass(frozen=True, eq=False)
class SidePose:
    """One pose of a vessel, with what measuring needs."""

    poses: Poses

    @classmethod
    def of(cls, frustum: Frustum, camera: Camera, vector: ArrayLike) -> SidePose:
        return cls(Poses(frustum, camera, np.asarray(vector, dtype=float).reshape(1, 5)))

    @property
    def frustum(self) -> Frustum:
        return self.poses.frustum

    @property
    def camera(self) -> Camera:
        return self.poses.camera

    @property
    def vector(self) -> Array:
        return np.asarray(self.poses.vectors[0])

    @property
    def tilt_deg(self) -> float:
        """How far the lens looks down along the vessel: elevation of the lens above its middle, seen from there."""
        middle, axis, _, _ = (part[0] for part in self.poses.frames())
        return math.degrees(math.asin(float(-(middle @ axis)) / float(np.linalg.norm(middle))))

    def axis_px(self, height_mm: ArrayLike) -> Array:
        """Pixels (M, 2) of the points of the axis at these heights above the underside."""
        height = np.atleast_2d(np.asarray(height_mm, dtype=float))
        return np.asarray(self.poses.points_px(np.zeros_like(height), height, np.zeros_like(height))[0])

    def height_on_axis_mm(self, px: ArrayLike) -> Array:
        """Heights (M,) above the underside of what stands in the upright plane through the axis that faces the lens."""
        return self._on_facing_plane(px, 0.0)[:, 1]

    def on_axis_plane_mm(self, px: ArrayLike, towards_lens_mm: float = 0.0) -> Array:
        """(M, 2) mm: right of the axis and height, of what is seen at the pixels and stands in the upright plane
        that faces the lens, `towards_lens_mm` before the axis."""
        return self._on_facing_plane(px, towards_lens_mm)

    def wall_height_mm(self, px: ArrayLike, radius_mm: float) -> Array:
        """Heights (M,) of what is seen at the pixels on the near side of a cylinder of this radius about the axis;
        nan where the ray passes beside it."""
        middle, axis, near, right, rays = self._rays(px)
        d_near, d_right, d_up = rays @ near, rays @ right, rays @ axis
        o_near, o_up = float(-(middle @ near)), float(-(middle @ axis))
        a, b, c = d_near**2 + d_right**2, 2 * o_near * d_near, o_near**2 - radius_mm**2
        root = b**2 - 4 * a * c
        with np.errstate(invalid="ignore"):
            distance = (-b - np.sqrt(root)) / (2 * a)
        return np.asarray(o_up + distance * d_up + self.frustum.height_mm / 2)

    def _on_facing_plane(self, px: ArrayLike, towards_lens_mm: float) -> Array:
        middle, axis, near, right, rays = self._rays(px)
        reach = (float(middle @ near) + towards_lens_mm) / (rays @ near)
        seen = reach[:, None] * rays - middle
        return np.stack([seen @ right, seen @ axis + self.frustum.height_mm / 2], axis=1)

    def _rays(self, px: ArrayLike) -> tuple[Array, Array, Array, Array, Array]:
        middle, axis, near, right = (part[0] for part in self.poses.frames())
        pixels = np.atleast_2d(np.asarray(px, dtype=float))
        centred = (pixels - [self.camera.cx_px, self.camera.cy_px]) / self.camera.f_px
        return middle, axis, near, right, np.column_stack([centred, np.ones(len(pixels))])
