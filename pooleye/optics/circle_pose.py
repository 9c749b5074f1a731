"""Where a circle of known radius stands in space, from the ellipse it makes in the picture.

An ellipse has two such poses (they project to the very same ellipse); both are returned, and only something else,
such as a second circle at another depth or the pool's outline, can choose.

Sources: Safaee-Rad et al., IEEE Trans. Robotics and Automation 8(5), 1992; Kanatani & Liu, CVGIP: Image
Understanding 58(3), 1993; Chen et al., ECCV 2004 (all cited from memory; the formulas are verified in the tests by
projecting the poses back and against OpenCV's projectPoints).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.ellipse import Ellipse, vectors_of_conics

Array = NDArray[np.float64]


@dataclass(frozen=True)
class CirclePose:
    """A circle in the camera frame: centre (3,) in mm and unit normal (3,), turned towards the camera (n_z < 0)."""

    centre_mm: Array
    normal: Array

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and the circle's axis, 0 to 90."""
        return math.degrees(math.atan2(math.hypot(self.normal[0], self.normal[1]), -self.normal[2]))

    @property
    def height_mm(self) -> float:
        """Distance of the lens from the circle's plane."""
        return abs(float(self.normal @ self.centre_mm))

    @property
    def distance_mm(self) -> float:
        """Distance of the lens from the circle's centre."""
        return float(np.linalg.norm(self.centre_mm))


def circle_poses(ellipse: Ellipse, radius_mm: float, camera: Camera) -> tuple[CirclePose, CirclePose]:
    """Both poses of a circle of ``radius_mm`` seen as ``ellipse``; the less tilted one first.

    Seen square-on the two coincide. ValueError for a radius that is not positive.
    """
    if not (math.isfinite(radius_mm) and radius_mm > 0):
        raise ValueError(f"a circle needs a positive radius, got {radius_mm} mm")
    centres, normals = many_circle_poses(ellipse.vector()[None], radius_mm, np.array([camera.f_px]), camera)
    first, second = (CirclePose(centres[0, k], normals[0, k]) for k in range(2))
    return first, second


def many_circle_poses(vectors: Array, radius_mm: float, focals_px: Array, camera: Camera) -> tuple[Array, Array]:
    """As `circle_poses` for ellipse vectors (M, 5), each with its own focal length: centres and normals (M, 2, 3)."""
    centres, normals = _solve(vectors, focals_px, np.full(len(vectors), radius_mm), camera)
    order = np.argsort(normals[:, :, 2], axis=1, kind="stable")  # the less tilted one faces the lens more squarely
    rows = np.arange(len(vectors))[:, None]
    return centres[rows, order], normals[rows, order]


def circle_images(centres_mm: Array, normals: Array, radii_mm: Array, camera: Camera) -> Array:
    """Ellipse vectors (M, 5) of circles with centres and unit normals (M, 3); ValueError where one makes no ellipse.

    The lines of sight v through a circle form the cone h^2 v.v - 2 h (c.v)(n.v) + (c.c - r^2)(n.v)^2 = 0, h = n.c.
    """
    h = (normals * centres_mm).sum(1)[:, None, None]
    cn = centres_mm[:, :, None] * normals[:, None, :]
    beyond = ((centres_mm**2).sum(1) - radii_mm**2)[:, None, None]
    cone = h**2 * np.eye(3) - h * (cn + cn.transpose(0, 2, 1)) + beyond * normals[:, :, None] * normals[:, None, :]
    conics = np.stack(
        [cone[:, 0, 0], 2 * cone[:, 0, 1], cone[:, 1, 1], 2 * cone[:, 0, 2], 2 * cone[:, 1, 2], cone[:, 2, 2]], axis=1
    )
    vectors = vectors_of_conics(conics)
    if len(vectors) < len(conics):
        raise ValueError("a circle seen edge-on, or partly behind the lens, makes no ellipse")
    return np.asarray(vectors * camera.f_px + [camera.cx_px, camera.cy_px, 0.0, 0.0, 0.0])


def _solve(vectors: Array, focals_px: Array, radii_mm: Array, camera: Camera) -> tuple[Array, Array]:
    """Centres and normals (M, 2, 3) of the two poses, for M ellipse vectors, focal lengths and radii."""
    values, axes = np.linalg.eigh(_viewing_cones(vectors, focals_px, camera))
    low, middle, high = values[:, 0], values[:, 1], values[:, 2]
    # eigh sorts upwards; the method wants the largest, the second and the negative one.
    axes = axes[:, :, ::-1]
    span = high - low
    lean = np.sqrt(np.maximum(high - middle, 0.0) / span)
    stand = np.sqrt(np.maximum(middle - low, 0.0) / span)
    zero = np.zeros_like(lean)
    reach = middle * radii_mm / np.sqrt(-high * low)
    centres, normals = [], []
    for sign in (1.0, -1.0):
        normal = np.einsum("mij,mj->mi", axes, np.stack([sign * lean, zero, -stand], axis=1))
        centre = np.stack([sign * (low / middle) * lean, zero, -(high / middle) * stand], axis=1)
        centre = reach[:, None] * np.einsum("mij,mj->mi", axes, centre)
        centres.append(np.where(centre[:, 2:] < 0, -centre, centre))
        normals.append(np.where(normal[:, 2:] > 0, -normal, normal))
    return np.stack(centres, axis=1), np.stack(normals, axis=1)


def _viewing_cones(vectors: Array, focals_px: Array, camera: Camera) -> Array:
    """The cones (M, 3, 3) through the lens and the ellipse: K^T M K with M the ellipse's conic."""
    x = (vectors[:, 0] - camera.cx_px) / focals_px
    y = (vectors[:, 1] - camera.cy_px) / focals_px
    r, p, q = (vectors[:, k] / focals_px for k in (2, 3, 4))
    to_unit = np.zeros((len(vectors), 3, 3))
    det = r * r - p * p - q * q
    to_unit[:, 0, 0], to_unit[:, 1, 1] = (r - p) / det, (r + p) / det
    to_unit[:, 0, 1] = to_unit[:, 1, 0] = -q / det
    to_unit[:, 0, 2] = -(to_unit[:, 0, 0] * x + to_unit[:, 0, 1] * y)
    to_unit[:, 1, 2] = -(to_unit[:, 1, 0] * x + to_unit[:, 1, 1] * y)
    to_unit[:, 2, 2] = 1.0
    return np.asarray(np.einsum("mki,k,mkj->mij", to_unit, np.array([1.0, 1.0, -1.0]), to_unit))
