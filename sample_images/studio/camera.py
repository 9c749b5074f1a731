"""The studio's pinhole camera, in the vessel's frame, and what it sees of circles and points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .spec import View

Array = NDArray[np.float64]
DIAGONAL_MM = 43.267  # diagonal of a 36 x 24 mm picture: what "35 mm equivalent" refers to


@dataclass(frozen=True)
class Pinhole:
    """x right, y down, z forward; `rotation` (3, 3) takes vessel-frame vectors to camera ones."""

    position_mm: Array
    rotation: Array
    f_px: float
    width_px: int
    height_px: int

    @property
    def centre_px(self) -> tuple[float, float]:
        return (self.width_px - 1) / 2, (self.height_px - 1) / 2

    def project(self, points_mm: Array) -> Array:
        p = (np.atleast_2d(points_mm) - self.position_mm) @ self.rotation.T
        return self.f_px * p[:, :2] / p[:, 2:3] + np.array(self.centre_px)

    def rays(self, px: Array) -> Array:
        """Unit directions (N, 3) in the vessel's frame through the pixels (N, 2)."""
        d = (px - np.array(self.centre_px)) / self.f_px @ self.rotation[:2] + self.rotation[2]
        return d / np.sqrt(np.einsum("ij,ij->i", d, d))[:, None]

    def on_plane(self, px: Array, z_mm: float) -> Array:
        """Where the rays through `px` meet the horizontal plane z: (N, 2) mm."""
        return self.along(self.rays(px), z_mm)

    def along(self, rays: Array, z_mm: float) -> Array:
        """Where `rays` (N, 3) meet the horizontal plane z: (N, 2) mm."""
        return self.position_mm[:2] + rays[:, :2] * ((z_mm - self.position_mm[2]) / rays[:, 2:3])


def top_camera(view: View, long_side_px: int) -> Pinhole:
    """A camera looking down: optical axis `tilt_deg` from the vertical, the rim's centre at `aim` in the picture."""
    short = long_side_px * 3 // 4
    width, height = (short, long_side_px) if view.portrait else (long_side_px, short)
    f_px = view.focal_35mm * float(np.hypot(width, height)) / DIAGONAL_MM
    tilt, roll = np.radians(view.tilt_deg), np.radians(view.roll_deg)
    out = np.array([np.cos(view.tilt_azimuth), np.sin(view.tilt_azimuth), 0.0])
    forward = np.sin(tilt) * out - np.cos(tilt) * np.array([0, 0, 1.0])
    side = np.cross(forward, out)
    side /= np.linalg.norm(side)
    right = np.cos(roll) * side + np.sin(roll) * np.cross(forward, side)
    rotation = np.stack([right, np.cross(forward, right), forward])
    camera = Pinhole(np.zeros(3), rotation, f_px, width, height)
    aim_px = np.array([[view.aim[0] * (width - 1), view.aim[1] * (height - 1)]])
    ray = camera.rays(aim_px)[0]
    return Pinhole(-ray * view.height_mm / -ray[2], rotation, f_px, width, height)


def ellipse_of_circle(camera: Pinhole, radius_mm: float, z_mm: float = 0.0) -> tuple[float, float, float, float, float]:
    """(cx, cy, semi_major, semi_minor, angle_deg) of a circle about the vessel's axis, exactly, by its conic."""
    r = camera.rotation
    t = -r @ camera.position_mm
    k = np.array([[camera.f_px, 0, camera.centre_px[0]], [0, camera.f_px, camera.centre_px[1]], [0, 0, 1]])
    homography = k @ np.stack([r[:, 0], r[:, 1], r[:, 2] * z_mm + t], 1)
    inverse = np.linalg.inv(homography)
    conic = inverse.T @ np.diag([1, 1, -(radius_mm**2)]) @ inverse
    a2, b2 = conic[:2, :2], conic[:2, 2]
    centre = -np.linalg.solve(a2, b2)
    scale = -(conic[2, 2] + b2 @ centre)
    values, vectors = np.linalg.eigh(a2 / scale)
    axes = 1 / np.sqrt(values)
    major = vectors[:, 0]
    return (
        float(centre[0]),
        float(centre[1]),
        float(axes[0]),
        float(axes[1]),
        float(np.degrees(np.arctan2(major[1], major[0])) % 180),
    )
