"""Where a circle of known radius stands in space, from the ellipse it makes in the picture.

An ellipse has two such poses (they project to the very same ellipse); both are returned, and only something else,
such as a second circle at another depth or the pool's outline, can choose.

Sources: Safaee-Rad et al., IEEE Trans. Robotics and Automation 8(5), 1992; Kanatani & Liu, CVGIP: Image
Understanding 58(3), 1993; Chen et al., ECCV 2004 (all cited from memory; the formulas are verified in the tests by
projecting the poses back and against OpenCV's projectPoints). Uncertainty by propagation of distributions, JCGM
101:2008, because the tilt has a cusp at zero where linear propagation fails.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.optics.ellipse import Ellipse

Array = NDArray[np.float64]

SAMPLES = 256
"""Draws per cause: gives a standard uncertainty to about 4 %, in well under a millisecond."""


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


@dataclass(frozen=True)
class PoseUncertainty:
    """Standard uncertainties of one pose, and what each cause gives by itself ("edge", "focal", "rim-size")."""

    u_tilt_deg: float
    u_height_mm: float
    u_distance_mm: float
    tilt_parts_deg: tuple[tuple[str, float], ...]
    height_parts_mm: tuple[tuple[str, float], ...]


def circle_poses(ellipse: Ellipse, radius_mm: float, camera: Camera) -> tuple[CirclePose, CirclePose]:
    """Both poses of a circle of ``radius_mm`` seen as ``ellipse``; the less tilted one first.

    Seen square-on the two coincide. ValueError for a radius that is not positive.
    """
    if not (math.isfinite(radius_mm) and radius_mm > 0):
        raise ValueError(f"a circle needs a positive radius, got {radius_mm} mm")
    centres, normals = _solve(ellipse.vector()[None], np.array([camera.f_px]), np.array([radius_mm]), camera)
    poses = [CirclePose(centres[0, k], normals[0, k]) for k in range(2)]
    first, second = sorted(poses, key=lambda pose: pose.tilt_deg)
    return first, second


def pose_uncertainty(
    pose: CirclePose,
    ellipse: Ellipse,
    covariance: Array,
    radius_mm: float,
    camera: Camera,
    u_radius_mm: float = 0.0,
) -> PoseUncertainty:
    """Standard uncertainty of tilt, height and distance of ``pose``, one of `circle_poses` of this ellipse.

    ``covariance`` (5, 5) is that of ``ellipse.vector()``, as an `EllipseFit` carries it. Each cause is drawn by
    itself and all together; every draw follows the solution nearest to ``pose``. The values are root mean square
    distances from the pose's own value, so the bias of a tilt near zero is in them.
    """
    vector, f, r = ellipse.vector(), np.full(SAMPLES, camera.f_px), np.full(SAMPLES, radius_mm)
    rng = np.random.default_rng(20240229)
    vectors = vector + _draws(rng, covariance)
    focals = np.maximum(f + camera.u_f_px * _standard_normal(rng), 0.2 * camera.f_px)
    radii = np.maximum(r + u_radius_mm * _standard_normal(rng), 0.2 * radius_mm)
    still = np.broadcast_to(vector, vectors.shape)
    edge = _rms_change(pose, vectors, f, r, camera)
    focal = _rms_change(pose, still, focals, r, camera)
    size = _rms_change(pose, still, f, radii, camera)
    together = _rms_change(pose, vectors, focals, radii, camera)
    names = ("edge", "focal", "rim-size")
    tilts, heights = (tuple(zip(names, (edge[k], focal[k], size[k]), strict=True)) for k in (0, 1))
    return PoseUncertainty(together[0], together[1], together[2], tilts, heights)


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


def _rms_change(
    pose: CirclePose, vectors: Array, focals_px: Array, radii_mm: Array, camera: Camera
) -> tuple[float, float, float]:
    """Root mean square change of tilt (deg), height and distance (mm) over the drawn cases."""
    centres, normals = _solve(vectors, focals_px, radii_mm, camera)
    nearest = np.argmax(normals @ pose.normal, axis=1)
    rows = np.arange(len(nearest))
    centre, normal = centres[rows, nearest], normals[rows, nearest]
    tilts = np.degrees(np.arctan2(np.hypot(normal[:, 0], normal[:, 1]), -normal[:, 2]))
    heights = np.abs((normal * centre).sum(axis=1))
    distances = np.linalg.norm(centre, axis=1)
    return _rms(tilts - pose.tilt_deg), _rms(heights - pose.height_mm), _rms(distances - pose.distance_mm)


def _rms(values: Array) -> float:
    return float(np.sqrt((values**2).mean()))


def _standard_normal(rng: np.random.Generator) -> Array:
    """Mirrored draws of exactly unit variance, so that few of them suffice."""
    half = rng.standard_normal(SAMPLES // 2)
    both = np.concatenate([half, -half])
    return np.asarray(both / both.std())


def _draws(rng: np.random.Generator, covariance: Array) -> Array:
    """Mirrored draws (SAMPLES, 5) from a zero-mean normal with this covariance (which may be singular)."""
    values, axes = np.linalg.eigh((covariance + covariance.T) / 2)
    half = rng.standard_normal((SAMPLES // 2, len(values)))
    both = np.concatenate([half, -half])
    return np.asarray((both * np.sqrt(np.maximum(values, 0.0))) @ axes.T)
