"""Ellipses in the picture plane: the shape itself, and a robust geometric fit with its uncertainty.

The fit's own parameters ("vector") are ``(cx, cy, r, p, q)`` with the ellipse = centre + S u, |u| = 1 and the
symmetric matrix S = [[r + p, q], [q, r - p]], so r = (a + b)/2 and (p, q) = (a - b)/2 * (cos 2t, sin 2t) for the
major axis' angle t. Unlike (a, b, t) they stay smooth at the circle, where the angle means nothing; uncertainties of
nearly round rims are therefore carried in them.

Sources: direct start Halir & Flusser, "Numerically stable direct least squares fitting of ellipses", WSCG 1998;
geometric (orthogonal distance) fit Gander, Golub & Strebel, BIT 34, 1994, and Ahn et al., Pattern Recognition 34,
2001; nearest point Eberly, "Distance from a point to an ellipse", 2013; biweight Beaton & Tukey, Technometrics 16,
1974; robust start by least medians, Rousseeuw, JASA 79, 1984.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Loss = Literal["none", "soft", "tukey"]
Shape = Literal["ellipse", "circle"]

MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal distribution (1 / 0.67449)."""
TUKEY_CUTOFF = 4.685
"""Biweight cut-off with 95 % efficiency on normal residuals (Holland & Welsch, Commun. Stat. A6, 1977)."""
SOFT_CUTOFF = 2.385
"""Cauchy scale with 95 % efficiency on normal residuals (same)."""
NOISE_FLOOR_PX = 0.01
"""Judged: no edge in a photo is known better; keeps perfect synthetic points from claiming zero error."""
INLIER_WEIGHT = 0.05
"""Biweight of a point 4.1 standard deviations off: beyond it a point belongs to something else."""
MIN_POINTS = 6
MIN_ROUNDNESS = 0.02
"""Judged: flatter than this (an 89 degree tilt) a fit has latched on to a line."""
MAX_RELATIVE_U = 0.3
"""Judged: an arc so short that its axes are unknown to a third gives no ellipse."""


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in pixels; the constructor keeps a >= b > 0 and the major axis' angle in [0, pi).

    ``angle_rad`` runs from +x towards +y, clockwise as seen. A circle's angle is kept as given.
    """

    cx: float
    cy: float
    a: float
    b: float
    angle_rad: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.cx, self.cy, self.a, self.b, self.angle_rad))):
            raise ValueError(f"an ellipse needs finite numbers, got {self}")
        if self.a <= 0 or self.b <= 0:
            raise ValueError(f"semi-axes must be positive, got {self.a} and {self.b}")
        major, minor, angle = self.a, self.b, self.angle_rad
        if minor > major:
            major, minor, angle = minor, major, angle + math.pi / 2
        angle = angle % math.pi
        for name, value in (("cx", self.cx), ("cy", self.cy), ("a", major), ("b", minor)):
            object.__setattr__(self, name, float(value))
        # A tiny negative angle modulo pi rounds to pi itself.
        object.__setattr__(self, "angle_rad", 0.0 if angle >= math.pi else float(angle))

    @property
    def angle_deg(self) -> float:
        return math.degrees(self.angle_rad)

    @property
    def area(self) -> float:
        """Enclosed area in square pixels."""
        return math.pi * self.a * self.b

    @property
    def mean_radius(self) -> float:
        """Radius of the circle of the same area, sqrt(a b)."""
        return math.sqrt(self.a * self.b)

    @property
    def centre(self) -> Array:
        return np.array([self.cx, self.cy])

    def shape_matrix(self) -> Array:
        """The symmetric 2x2 matrix S with ellipse = centre + S u, |u| = 1."""
        rotation = _rotation(self.angle_rad)
        return np.asarray(rotation @ np.diag([self.a, self.b]) @ rotation.T)

    def vector(self) -> Array:
        """(cx, cy, r, p, q), see the head of this module."""
        r, d = (self.a + self.b) / 2, (self.a - self.b) / 2
        return np.array([self.cx, self.cy, r, d * math.cos(2 * self.angle_rad), d * math.sin(2 * self.angle_rad)])

    @classmethod
    def from_vector(cls, vector: ArrayLike) -> Ellipse:
        cx, cy, r, p, q = (float(v) for v in np.asarray(vector, dtype=float))
        d = math.hypot(p, q)
        return cls(cx, cy, r + d, r - d, 0.5 * math.atan2(q, p))

    def points(self, n: int = 360) -> Array:
        """(n, 2) points at even steps of the eccentric angle, starting at the major axis, clockwise as seen."""
        t = np.arange(n) * (2 * math.pi / n)
        return self.centre + np.stack([self.a * np.cos(t), self.b * np.sin(t)], axis=1) @ _rotation(self.angle_rad).T

    def contains(self, points: ArrayLike) -> NDArray[np.bool_]:
        """True for points inside or on the ellipse; (N, 2) -> (N,)."""
        return self._level(points) <= 1.0

    def radial_residuals(self, points: ArrayLike) -> Array:
        """Signed distance in px from the ellipse along the ray from its centre; + is outside; (N, 2) -> (N,).

        At the centre itself the direction is undefined and the answer is -b (the nearest the curve comes).
        """
        offset = np.asarray(points, dtype=float) - self.centre
        level = self._level(points)
        distance = np.hypot(offset[..., 0], offset[..., 1])
        with np.errstate(divide="ignore", invalid="ignore"):
            residual = distance * (1.0 - 1.0 / level)
        return np.where(level > 0, residual, -self.b)

    def orthogonal_residuals(self, points: ArrayLike) -> Array:
        """Signed shortest distance in px; + is outside; (N, 2) -> (N,)."""
        residual, _, _ = _orthogonal(self.vector(), np.atleast_2d(np.asarray(points, dtype=float)))
        return residual

    def conic(self) -> Array:
        """Symmetric 3x3 C with x^T C x = 0 on the curve, for x = (x, y, 1); negative inside.

        The scale is fixed by x^T C x = |S^-1 (x - centre)|^2 - 1.
        """
        inverse = np.linalg.inv(self.shape_matrix())
        to_unit = np.eye(3)
        to_unit[:2, :2] = inverse
        to_unit[:2, 2] = -inverse @ self.centre
        return np.asarray(to_unit.T @ np.diag([1.0, 1.0, -1.0]) @ to_unit)

    @classmethod
    def from_conic(cls, conic: ArrayLike) -> Ellipse:
        """The real ellipse of a symmetric 3x3 conic matrix of any scale; ValueError if it is none."""
        c = np.asarray(conic, dtype=float)
        quadratic = (c[:2, :2] + c[:2, :2].T) / 2
        if not np.isfinite(c).all() or np.linalg.det(quadratic) <= 0:
            raise ValueError("the conic is not an ellipse")
        linear = (c[:2, 2] + c[2, :2]) / 2
        centre = -np.linalg.solve(quadratic, linear)
        level = -(c[2, 2] + linear @ centre)
        eigenvalues, vectors = np.linalg.eigh(quadratic / level if level else quadratic)
        if level == 0 or eigenvalues[0] <= 0:
            raise ValueError("the conic is not a real ellipse")
        a, b = 1.0 / np.sqrt(eigenvalues)
        return cls(float(centre[0]), float(centre[1]), float(a), float(b), math.atan2(vectors[1, 0], vectors[0, 0]))

    def mapped(self, scale: float, offset_px: tuple[float, float] = (0.0, 0.0)) -> Ellipse:
        """The ellipse in the picture resized by ``scale``; ``offset_px`` is added afterwards.

        Picture edges stay in place when resizing, pixel centres do not: x' = (x + 0.5) scale - 0.5. To go from a
        crop to its picture use scale 1 and the crop's corner as offset.
        """
        return Ellipse(
            (self.cx + 0.5) * scale - 0.5 + offset_px[0],
            (self.cy + 0.5) * scale - 0.5 + offset_px[1],
            self.a * scale,
            self.b * scale,
            self.angle_rad,
        )

    scaled = mapped

    def _level(self, points: ArrayLike) -> Array:
        at = np.asarray(points, dtype=float)
        x, y = at[..., 0] - self.cx, at[..., 1] - self.cy
        (xx, xy), (_, yy) = np.linalg.inv(self.shape_matrix())
        return np.asarray(np.hypot(xx * x + xy * y, xy * x + yy * y))


@dataclass(frozen=True)
class EllipseFit:
    """A fitted ellipse and how well it is known.

    ``covariance`` (5, 5) is that of ``ellipse.vector()`` = (cx, cy, r, p, q) in px^2: scaled by the residuals and
    by how strongly neighbouring residuals agree (``correlation_length``, in points). ``residual_rms`` in px and
    ``inliers`` (N,) refer to the points given, in their order.
    """

    ellipse: Ellipse
    covariance: Array
    residual_rms: float
    inliers: NDArray[np.bool_]
    correlation_length: float

    @property
    def u_mean_radius(self) -> float:
        """Standard uncertainty in px of r = (a + b)/2."""
        return float(math.sqrt(self.covariance[2, 2]))

    def mapped(self, scale: float, offset_px: tuple[float, float] = (0.0, 0.0)) -> EllipseFit:
        """The same fit in the resized picture, see `Ellipse.mapped`."""
        return EllipseFit(
            self.ellipse.mapped(scale, offset_px),
            self.covariance * scale**2,
            self.residual_rms * scale,
            self.inliers,
            self.correlation_length,
        )


@dataclass(frozen=True)
class FailedFit:
    """No ellipse, and why; counts as false."""

    reason: str

    def __bool__(self) -> bool:
        return False


def fit_ellipse(
    points: ArrayLike,
    weights: ArrayLike | None = None,
    loss: Loss = "tukey",
    shape: Shape = "ellipse",
    start: Ellipse | None = None,
    max_relative_u: float = MAX_RELATIVE_U,
) -> EllipseFit | FailedFit:
    """Least orthogonal distances from ``points`` (N, 2) px, safe against points that do not belong.

    ``weights`` (N,) >= 0 multiply squared distances. ``loss``: "tukey" leaves gross outliers out (up to about 40 %
    of them, if the rest agrees), "soft" only lessens their pull, "none" is plain least squares. ``shape`` "circle"
    keeps the two axes equal (their covariance is then 0: held, not known). ``start`` skips the search for a first
    guess. A result whose radius is less certain than ``max_relative_u`` of itself is no result.

    Answers a false `FailedFit` with its reason for too few points, points on a line, arcs too short to tell an
    ellipse, or when nothing settles. The covariance takes correlated neighbours into account as far as the residuals
    show it; what shifts all points together (a blurred edge, the wrong edge) is for the caller to add.
    """
    xy, weight, usable = _clean(points, weights)
    if int(usable.sum()) < MIN_POINTS:
        return FailedFit(f"needs at least {MIN_POINTS} usable points, got {int(usable.sum())}")
    origin, unit = _frame(xy[usable])
    shift = np.array([*origin, 0.0, 0.0, 0.0])
    if unit <= 0:
        return FailedFit("all points coincide")
    local, w = (xy[usable] - origin) / unit, weight[usable]
    guess = (start.vector() - shift) / unit if start else _first_guess(local, w, loss, shape)
    if guess is None:
        return FailedFit("the points lie on no ellipse")
    state = _settle(local, w, guess, loss, shape, NOISE_FLOOR_PX / unit)
    if state is None:
        return FailedFit("the fit did not settle: too short an arc, or points on a line")
    return _assemble(state, origin, unit, usable, max_relative_u)


@dataclass(frozen=True)
class _State:
    """A settled fit in the local frame: vector, residuals, robust weights and Jacobian of its points."""

    vector: Array
    residuals: Array
    robust: Array
    weights: Array
    jacobian: Array
    angles: Array
    loss: Loss


def _clean(points: ArrayLike, weights: ArrayLike | None) -> tuple[Array, Array, NDArray[np.bool_]]:
    xy = np.asarray(points, dtype=float)
    if xy.ndim != 2 or xy.shape[1] != 2:
        raise ValueError(f"points must be an (N, 2) array, got shape {xy.shape}")
    weight = np.ones(len(xy)) if weights is None else np.asarray(weights, dtype=float)
    if weight.shape != (len(xy),) or np.any(weight < 0):
        raise ValueError("weights must be one non-negative number per point")
    return xy, weight, np.isfinite(xy).all(axis=1) & np.isfinite(weight) & (weight > 0)


def _frame(xy: Array) -> tuple[Array, float]:
    """Origin and unit that bring the points near the unit circle, for well-conditioned algebra."""
    origin = xy.mean(axis=0)
    return origin, float(np.sqrt(((xy - origin) ** 2).sum(axis=1).mean()))


CLEAN_CORE = 0.01
"""Judged: half of the points within 1 % of the radius is one curve; scattered outliers alone cannot feign that."""


def _first_guess(local: Array, w: Array, loss: Loss, shape: Shape) -> Array | None:
    direct = _direct(local, w, shape)
    if loss == "none":
        return direct
    if direct is not None:
        residuals = np.abs(_sampson(direct[None], local)[0])
        core = float(np.median(residuals))
        # A clean set needs no search: the points hug one curve and none stands out.
        if core < CLEAN_CORE and residuals.max() < 5.0 * MAD_TO_SIGMA * core:
            return direct
    searched = _consensus(local, w, shape)
    return direct if searched is None else searched


def _direct(local: Array, w: Array, shape: Shape) -> Array | None:
    return _direct_circle(local, w) if shape == "circle" else direct_fit(local, w)


def direct_fit(points: Array, weights: Array | None = None) -> Array | None:
    """Algebraic ellipse of Halir & Flusser (1998) as a vector; None where the points allow none.

    Biased towards small ellipses on short noisy arcs: a start, not a result.
    """
    w = np.ones(len(points)) if weights is None else weights
    x, y = points[:, 0], points[:, 1]
    d1 = np.stack([x * x, x * y, y * y], axis=1)
    d2 = np.stack([x, y, np.ones_like(x)], axis=1)
    s1, s2, s3 = (d1 * w[:, None]).T @ d1, (d1 * w[:, None]).T @ d2, (d2 * w[:, None]).T @ d2
    try:
        t = -np.linalg.solve(s3, s2.T)
        m = s1 + s2 @ t
        reduced = np.stack([m[2] / 2, -m[1], m[0] / 2])
        eigenvectors = np.linalg.eig(reduced)[1]
    except np.linalg.LinAlgError:
        return None
    if np.iscomplexobj(eigenvectors):
        eigenvectors = np.real(eigenvectors[:, np.abs(eigenvectors.imag).max(axis=0) < 1e-9])
    condition = 4 * eigenvectors[0] * eigenvectors[2] - eigenvectors[1] ** 2
    if not np.any(condition > 0):
        return None
    a1 = eigenvectors[:, int(np.argmax(condition))]
    vectors = vectors_of_conics(np.concatenate([a1, t @ a1])[None])
    return np.asarray(vectors[0]) if len(vectors) else None


def _direct_circle(points: Array, w: Array) -> Array | None:
    """Algebraic circle (Kasa's): least squares of x^2 + y^2 = 2 cx x + 2 cy y + k."""
    design = np.column_stack([2 * points, np.ones(len(points))]) * np.sqrt(w)[:, None]
    solution, _, rank, _ = np.linalg.lstsq(design, (points**2).sum(axis=1) * np.sqrt(w), rcond=1e-9)
    squared = solution[2] + solution[0] ** 2 + solution[1] ** 2
    return np.array([*solution[:2], math.sqrt(squared), 0.0, 0.0]) if rank == 3 and squared > 0 else None


def radial_residuals(vectors: Array, points: Array) -> Array:
    """`Ellipse.radial_residuals` of points (N, 2) for many ellipse vectors (M, 5) at once: (M, N)."""
    offset = points[None] - vectors[:, None, :2]
    r, p, q = (vectors[:, k, None] for k in (2, 3, 4))
    x, y = (r - p) * offset[..., 0] - q * offset[..., 1], (r + p) * offset[..., 1] - q * offset[..., 0]
    level = np.hypot(x, y) / (r * r - p * p - q * q)
    return np.asarray(np.hypot(offset[..., 0], offset[..., 1]) * (1 - 1 / np.maximum(level, 1e-9)))


def vectors_of_conics(coefficients: Array) -> Array:
    """Vectors (K, 5) of those conics A x^2 + B xy + C y^2 + D x + E y + F, rows of (M, 6), that are real ellipses."""
    turned = coefficients * np.where(coefficients[:, :1] < 0, -1.0, 1.0)
    a, b, c, d, e, f = turned.T
    b, d, e = b / 2, d / 2, e / 2
    det = a * c - b * b
    with np.errstate(divide="ignore", invalid="ignore"):
        cx, cy = (b * e - c * d) / det, (b * d - a * e) / det
        level = -(f + d * cx + e * cy)
        # N = S^2 of the module's S; the root of a 2x2 matrix is (N + sqrt(det N) 1) / sqrt(trace N + 2 sqrt(det N)).
        nxx, nxy, nyy = level * c / det, -level * b / det, level * a / det
        root = np.sqrt(nxx * nyy - nxy * nxy)
        scale = np.sqrt(nxx + nyy + 2 * root)
        vectors = np.stack(
            [cx, cy, (nxx + nyy + 2 * root) / (2 * scale), (nxx - nyy) / (2 * scale), nxy / scale], axis=1
        )
    real = (det > 0) & (level > 0) & np.isfinite(vectors).all(axis=1)
    return np.asarray(vectors[real])


def _sampson(vectors: Array, points: Array) -> Array:
    """First-order signed distances (M, N) of points (N, 2) from ellipses (M, 5)."""
    offset = points[None] - vectors[:, None, :2]
    r, p, q = (vectors[:, k, None] for k in (2, 3, 4))
    det = r * r - p * p - q * q
    gx = ((r - p) * offset[..., 0] - q * offset[..., 1]) / det
    gy = ((r + p) * offset[..., 1] - q * offset[..., 0]) / det
    level = np.hypot(gx, gy)
    slope = np.hypot((r - p) * gx - q * gy, (r + p) * gy - q * gx) / np.abs(det)
    return (level - 1.0) * level / np.maximum(slope, 1e-12)


CONSENSUS_TRIALS = 150
"""With 40 % outliers a five-point sample is clean in 7.8 % of trials: 150 all fail once in 200,000 sets."""


def _consensus(local: Array, w: Array, shape: Shape) -> Array | None:
    """Least-median search over small samples (Rousseeuw, JASA 79, 1984), polished on its own inliers.

    The generator is seeded: the same points always give the same answer.
    """
    rng = np.random.default_rng(20240229)
    size = 3 if shape == "circle" else 5
    samples = np.argsort(rng.random((CONSENSUS_TRIALS, len(local))), axis=1)[:, :size]
    vectors = _three_point(local[samples]) if shape == "circle" else _five_point(local[samples])
    vectors = vectors[[_is_plausible(vector) for vector in vectors]] if len(vectors) else vectors
    if len(vectors) == 0:
        return None
    return _polish(vectors[int(np.argmin(_core_scale(vectors, local)))], local, w, shape)


def _core_scale(vectors: Array, local: Array) -> Array:
    """Distance within which each ellipse (M, 5) has just over half of the points; (M,)."""
    distances = np.abs(_sampson(vectors, local))
    rank = int(0.55 * (len(local) - 1))
    return np.asarray(np.partition(distances, rank, axis=1)[:, rank])


def _polish(vector: Array, local: Array, w: Array, shape: Shape) -> Array:
    """Refit, twice, to the points that lie near: five points alone carry all of their own noise."""
    for _ in range(2):
        near = np.abs(_sampson(vector[None], local)[0]) <= 2.5 * _core_scale(vector[None], local)[0]
        refit = _direct(local[near], w[near], shape) if near.sum() >= MIN_POINTS else None
        if refit is None or not _is_plausible(refit):
            break
        vector = refit
    return vector


def _five_point(samples: Array) -> Array:
    """The ellipses through five points each (M, 5, 2), as vectors; what is no ellipse is left out."""
    x, y = samples[..., 0], samples[..., 1]
    design = np.stack([x * x, x * y, y * y, x, y, np.ones_like(x)], axis=-1)
    return vectors_of_conics(np.linalg.svd(design)[2][:, -1, :])


def _three_point(samples: Array) -> Array:
    """The circles through three points each (M, 3, 2), as vectors; points on a line are left out."""
    first = samples[:, 0]
    u, v = samples[:, 1] - first, samples[:, 2] - first
    cross = 2.0 * (u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0])
    uu, vv = (u**2).sum(axis=1), (v**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        x = (v[:, 1] * uu - u[:, 1] * vv) / cross
        y = (u[:, 0] * vv - v[:, 0] * uu) / cross
    flat = np.zeros_like(x)
    vectors = np.stack([first[:, 0] + x, first[:, 1] + y, np.hypot(x, y), flat, flat], axis=1)
    return np.asarray(vectors[np.isfinite(vectors).all(axis=1)])


def _is_plausible(vector: Array) -> bool:
    """In the local frame (rms radius 1): an ellipse of sensible size and roundness."""
    d = math.hypot(vector[3], vector[4])
    minor, major = vector[2] - d, vector[2] + d
    return bool(np.isfinite(vector).all() and minor > MIN_ROUNDNESS * major and major < 50.0)


MAX_ROUNDS = 60
"""Gauss-Newton needs under ten on a rim; the rest is patience for scattered points."""
SCALE_ROUNDS = 20
"""The robust scale follows the fit this long and is then held, or a median could hop between two points for ever."""
SMALL_STEP = 1e-9
SETTLED_STEP = 1e-4
"""Both in units of the ellipse's size; the larger is still a fraction of what any photo resolves."""


def _settle(local: Array, w: Array, guess: Array, loss: Loss, shape: Shape, floor: float) -> _State | None:
    """Reweighted, damped Gauss-Newton on orthogonal distances; None if it leaves the ellipses or never settles."""
    free = 3 if shape == "circle" else 5
    vector, damping, size = guess.copy(), 1e-6, math.inf
    residuals, jacobian, angles = _orthogonal(vector, local)
    sigma = _robust_sigma(residuals, w, floor, free)
    for round_ in range(MAX_ROUNDS):
        step = _damped_step(jacobian[:, :free], residuals, w * _robust_weights(residuals, sigma, loss), damping)
        if step is None:
            return None
        trial = vector + np.pad(step, (0, 5 - free))
        if not _is_plausible(trial):
            damping, size = max(damping * 10, 1e-3), math.inf
            continue
        size = float(np.abs(step).max())
        moved = _orthogonal(trial, local)
        if size > SMALL_STEP and _cost(moved[0], w, sigma, loss) > _cost(residuals, w, sigma, loss):
            damping = max(damping * 10, 1e-9)
            continue
        vector, (residuals, jacobian, angles), damping = trial, moved, max(damping / 10, 1e-12)
        previous = sigma
        sigma = _robust_sigma(residuals, w, floor, free) if round_ < SCALE_ROUNDS else sigma
        if size <= SMALL_STEP and abs(sigma - previous) <= 1e-6 * sigma:
            break
    if size > SETTLED_STEP:
        return None
    return _State(vector, residuals, _robust_weights(residuals, sigma, loss), w, jacobian[:, :free], angles, loss)


def _damped_step(jacobian: Array, residuals: Array, weight: Array, damping: float) -> Array | None:
    normal = (jacobian * weight[:, None]).T @ jacobian
    gradient = (jacobian * weight[:, None]).T @ residuals
    normal[np.diag_indices_from(normal)] *= 1.0 + damping
    try:
        return np.asarray(-np.linalg.solve(normal, gradient))
    except np.linalg.LinAlgError:
        return None


def _robust_sigma(residuals: Array, w: Array, floor: float, free: int) -> float:
    """Scale of the residuals' core: median absolute value with the small-sample factor of Rousseeuw & Leroy,
    Robust Regression and Outlier Detection, 1987, section 5.1, which keeps a few points from rejecting each other."""
    size = np.abs(residuals) * np.sqrt(w / w.mean())
    small_sample = 1.0 + 5.0 / max(len(size) - free, 1)
    return max(MAD_TO_SIGMA * small_sample * float(np.median(size)), floor)


def _robust_weights(residuals: Array, sigma: float, loss: Loss) -> Array:
    if loss == "none":
        return np.ones_like(residuals)
    if loss == "soft":
        return 1.0 / (1.0 + (residuals / (SOFT_CUTOFF * sigma)) ** 2)
    z = residuals / (TUKEY_CUTOFF * sigma)
    return np.where(np.abs(z) < 1, (1 - z * z) ** 2, 0.0)


def _cost(residuals: Array, w: Array, sigma: float, loss: Loss) -> float:
    if loss == "none":
        return float((w * residuals**2).sum())
    if loss == "soft":
        return float((w * np.log1p((residuals / (SOFT_CUTOFF * sigma)) ** 2)).sum())
    z = np.minimum(np.abs(residuals) / (TUKEY_CUTOFF * sigma), 1.0)
    return float((w * (1 - (1 - z * z) ** 3)).sum())


def _orthogonal(vector: Array, points: Array) -> tuple[Array, Array, Array]:
    """Signed distances (N,), their derivatives (N, 5) by the vector, and the feet's eccentric angles (N,).

    With the foot x = centre + S u held at its u, the distance n.(point - x) changes only by the motion of x along
    the normal n: that gives all derivatives in closed form (Ahn et al. 2001 reach the same by implicit functions).
    """
    cx, cy, r, p, q = vector
    d = math.hypot(p, q)
    major, minor, angle = r + d, r - d, 0.5 * math.atan2(q, p)
    cos, sin = math.cos(angle), math.sin(angle)
    dx, dy = points[:, 0] - cx, points[:, 1] - cy
    along, across = cos * dx + sin * dy, cos * dy - sin * dx
    ca, sa = _nearest_angle(major, minor, along, across)
    nx, ny = ca * minor, sa * major
    norm = np.hypot(nx, ny)
    nx, ny = nx / norm, ny / norm
    residuals = nx * (along - major * ca) + ny * (across - minor * sa)
    ux, uy = cos * ca - sin * sa, sin * ca + cos * sa
    normal_x, normal_y = cos * nx - sin * ny, sin * nx + cos * ny
    jacobian = -np.stack(
        [
            normal_x,
            normal_y,
            normal_x * ux + normal_y * uy,
            normal_x * ux - normal_y * uy,
            normal_x * uy + normal_y * ux,
        ],
        axis=1,
    )
    return residuals, jacobian, np.arctan2(uy, ux)


NEAREST_ROUNDS = 40


def _nearest_angle(major: float, minor: float, along: Array, across: Array) -> tuple[Array, Array]:
    """Cosine and sine of the eccentric angle of the nearest point, for points in the ellipse's own axes.

    Eberly's equation (a x/(t + a^2))^2 + (b y/(t + b^2))^2 = 1 is convex and falling for t > -b^2; Newton's method
    from its left side climbs to the root without overshooting.
    """
    x = np.maximum(np.abs(along), 1e-12 * major)
    y = np.maximum(np.abs(across), 1e-12 * major)
    aa, bb = major * major, minor * minor
    t = np.maximum(-bb + minor * y, -aa + major * x)
    for _ in range(NEAREST_ROUNDS):
        ex, ey = major * x / (t + aa), minor * y / (t + bb)
        excess = ex * ex + ey * ey - 1.0
        move = excess / (2.0 * (ex * ex / (t + aa) + ey * ey / (t + bb)))
        t = t + np.maximum(move, 0.0)
        if float(move.max()) <= 1e-14 * aa:
            break
    ex, ey = major * x / (t + aa), minor * y / (t + bb)
    length = np.hypot(ex, ey)
    return np.copysign(ex / length, along), np.copysign(ey / length, across)


def _assemble(
    state: _State, origin: Array, unit: float, usable: NDArray[np.bool_], max_relative_u: float
) -> EllipseFit | FailedFit:
    kept = state.robust > INLIER_WEIGHT
    free = state.jacobian.shape[1]
    if kept.sum() < MIN_POINTS:
        return FailedFit("too few of the points agree on one ellipse")
    weight, jacobian = state.weights[kept], state.jacobian[kept]
    normal = (jacobian * weight[:, None]).T @ jacobian
    if np.linalg.cond(normal) > 1e12:
        return FailedFit("the points do not determine an ellipse")
    rms = math.sqrt(float((weight * state.residuals[kept] ** 2).sum() / weight.sum()))
    spread = max(_variance(state, kept), (NOISE_FLOOR_PX / unit) ** 2)
    length = _correlation_length(state, kept)
    covariance = np.zeros((5, 5))
    covariance[:free, :free] = np.linalg.inv(normal) * spread * length
    if math.sqrt(covariance[2, 2]) > max_relative_u * state.vector[2]:
        return FailedFit("the arc is too short to tell the size of the ellipse")
    ellipse = Ellipse.from_vector(state.vector * unit + np.array([*origin, 0, 0, 0]))
    inliers = usable.copy()
    inliers[usable] = kept
    return EllipseFit(ellipse, covariance * unit**2, rms * unit, inliers, length)


def _variance(state: _State, kept: NDArray[np.bool_]) -> float:
    """Variance of a point of unit weight, for use with inverse(J^T W J) over the kept points.

    M-estimator: sum(psi^2)/(n - p) over the squared mean of psi' (Huber, Robust Statistics, 1981, section 7.6);
    for plain least squares that is the usual sum(r^2)/(n - p).
    """
    psi = (state.robust * state.residuals)[kept]
    spare = max(int(kept.sum()) - int(state.jacobian.shape[1]), 1)
    slope = max(float(_psi_slope(state.robust[kept], state.loss).mean()), 0.2)
    squares = float((state.weights[kept] * psi**2).sum())
    return squares / (spare * slope * slope)


def _psi_slope(robust: Array, loss: Loss) -> Array:
    """Derivative of psi(r) = r * weight(r) by r, written in terms of that weight."""
    if loss == "none":
        return np.ones_like(robust)
    if loss == "soft":
        return 2.0 * robust**2 - robust
    root = np.sqrt(robust)
    return root * (5.0 * root - 4.0)


PERSISTENCE = np.concatenate([np.arange(0.0, 0.9, 0.05), np.arange(0.9, 0.99, 0.02)])
"""Neighbour correlations tried; above 0.98 a rim of a few hundred points is a single blob of error."""


def _correlation_length(state: _State, kept: NDArray[np.bool_]) -> float:
    """How many neighbouring points along the curve share one error, at least 1.

    The estimate's variance rests on the power of the errors in harmonics 0, 1 and 2 around the curve, which is just
    what the fit has taken out of the residuals. It is carried over from the harmonics above by a first-order
    autoregressive spectrum fitted with Whittle's likelihood (Whittle, Ark. Mat. 2, 1953), but is never put below
    what harmonics 3 to 7 show by themselves: pixel noise on top of slow bumps deceives the likelihood. Fewer than 20
    points cannot tell: 1. Errors that agree over a tenth of the curve and more are understated.
    """
    residuals = state.residuals[kept][np.argsort(state.angles[kept])]
    n = len(residuals)
    if n < 20:
        return 1.0
    power = np.asarray(np.abs(np.fft.rfft(residuals)) ** 2)[FIRST_FREE_HARMONIC:] / n
    frequency: Array = np.arange(FIRST_FREE_HARMONIC, n // 2 + 1) * np.float64(2 * math.pi / n)
    mean_power = float(power.mean())
    if mean_power <= 0:
        return 1.0
    spectra = _autoregressive_spectrum(PERSISTENCE[:, None], frequency)
    levels = (power / spectra).mean(axis=1)
    # A correlation as long as a tenth of the curve leaves too few independent stretches to see it by.
    tellable = int(np.searchsorted(PERSISTENCE, (n - 10) / (n + 10)))
    best = int(np.argmin((np.log(levels) + np.log(spectra).mean(axis=1))[:tellable]))
    taken_out = np.array([0.0, 1.0, 1.0, 2.0, 2.0]) * (2 * math.pi / n)
    carried = float(levels[best] * _autoregressive_spectrum(PERSISTENCE[best], taken_out).mean())
    return max(1.0, carried / mean_power, float(power[:NEXT_HARMONICS].mean()) / mean_power)


FIRST_FREE_HARMONIC = 3
NEXT_HARMONICS = 5


def _autoregressive_spectrum(persistence: ArrayLike, frequency_rad: Array) -> Array:
    """Spectrum of x[k] = persistence x[k-1] + noise, of unit variance: mean 1 over all frequencies."""
    phi = np.asarray(persistence, dtype=float)
    return np.asarray((1 - phi**2) / (1 - 2 * phi * np.cos(frequency_rad) + phi**2))


def _rotation(angle_rad: float) -> Array:
    cos, sin = math.cos(angle_rad), math.sin(angle_rad)
    return np.array([[cos, -sin], [sin, cos]])
