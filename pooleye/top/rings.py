"""Round edges near a first guess of a rim: every ellipse along which the picture has an edge almost all round.

The picture is unrolled once, along rays from the guessed ellipse, and the crests of its gradient across the rays are
kept. In the unrolled strip a near ellipse is a smooth curve (pooleye.top.curves). Many curves settle at once by mean
shift onto the crests with a shrinking window (Comaniciu & Meer, IEEE Trans. PAMI 24(5), 2002, from memory), so every
ring in the strip is met, not only the strongest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.ellipse import Ellipse
from pooleye.top.curves import OUTWARD, RAY_DIRECTIONS, as_curve, as_vectors, radii

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

STRIP = (0.76, 1.30)  # of the guessed radius
STEP_PX, STEPS = 0.8, (90, 160)
ALONG, ACROSS = 0.9, 1.0  # blur of the strip before its gradient is taken, in samples along and in rays
SIZES = np.arange(0.88, 1.16, 0.006, dtype=np.float32)
WIDE, NARROW, SETTLING = (0.03, 0.016, 0.010), (0.006,), (0.0045, 0.0030, 0.0025)
"""Sizes of the curves that start, and windows of the mean shift, of the guessed radius: wide ones find rings that a
guess misses in shape, narrow ones, also for curves that have been through no wide one, keep near rings apart."""
ASIDE = 0.03
"""A first guess may be off by twice as much: the search starts this far to four sides of it as well, in radii."""
STIFFNESS = np.diag(np.array([1e-3, 0.3, 0.3, 1.0, 1.0], np.float32))  # in rays: holds the shape where few have an edge
COARSE = 2  # curves look at every so many-th ray
SAME = 0.004  # rings nearer than this, in radii, are one
DIFFERENT = 0.015  # rings farther apart than this are worth a search of their own
AGAIN = 4
WEAKEST = 0.15
MOST = 100
LIKELY = 240  # curves that are followed to the end
MOST_OVAL = 0.3


@dataclass(frozen=True, eq=False)
class Ring:
    """An edge all round: the vector of its ellipse in working pixels, and its strength, 0 to 1 (1: a crisp edge on
    every ray)."""

    vector: Array
    strength: float

    @property
    def ellipse(self) -> Ellipse:
        return Ellipse.from_vector(self.vector)


def find_rings(rgb: NDArray[np.uint8], guesses: list[Ellipse]) -> list[Ring]:
    """The distinct rings around several guesses, strongest first; those near the first guess are found best.

    A guess that is out of shape misses rings that are not; so the strongest rings found lend their shape to a second
    search (an outer lip found crisply brings the inner one with it, since both have nearly the same shape).
    """
    frame = guesses[0]
    crests = _crests(rgb, frame)
    aside = [[1.0, ASIDE * x, ASIDE * y, 0.0, 0.0] for x, y in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    found = crests.around(np.array([as_curve(frame, guess) for guess in guesses] + aside, np.float32))
    strongest = _distinct(found, DIFFERENT, AGAIN)[:, :5]
    again = crests.around(strongest) if len(strongest) else found
    rings = _distinct(np.concatenate([found, again]), SAME, MOST)
    vectors = as_vectors(frame, rings[:, :5].astype(float))
    return [Ring(vector, strength) for vector, strength in zip(vectors, rings[:, 5].tolist(), strict=True)]


def apart(a: Ellipse, b: Ellipse) -> float:
    """How far two ellipses lie apart at most, over the radius of the second (an upper bound, close for near ones)."""
    off = np.abs(a.vector() - b.vector())
    return float(np.hypot(off[0], off[1]) + off[2] + np.hypot(off[3], off[4])) / b.mean_radius


def _distinct(rings: Floats, least: float, most: int) -> Floats:
    """The `most` strongest rings (N, 6: curve and strength), strongest first; of rings nearer to each other than
    `least` radii only the strongest."""
    ordered = rings[np.argsort(-rings[:, 5], kind="stable")]
    s, a, b, c, d = ordered[:, :5].T
    near = np.abs(s - s[:, None]) <= least  # most pairs differ in size already
    i, j = np.nonzero(near)
    near[i, j] = np.abs(s[i] - s[j]) + np.hypot(a[i] - a[j], b[i] - b[j]) + np.hypot(c[i] - c[j], d[i] - d[j]) <= least
    kept: list[int] = []
    gone = np.zeros(len(ordered), bool)
    for k, alike in enumerate(near):
        if not gone[k] and len(kept) < most:
            kept.append(k)
            gone |= alike
    return np.asarray(ordered[kept])


def _resized(shapes: Floats, sizes: Floats) -> Floats:
    """Curves of each shape (N, 5) in every size, about its own centre."""
    about_centre = np.array([1.0, 0.0, 0.0, 1.0, 1.0], np.float32)
    factors = sizes[:, None] * about_centre + (1 - about_centre)
    return np.asarray((shapes[:, None] * factors).reshape(-1, 5))


@dataclass(frozen=True, eq=False)
class _Crests:
    """Where the gradient has its crests along each ray: `field` (RAYS, samples, 2) has their strength, and strength
    times radius, 0 elsewhere; with the radius of the first sample, and the step to the next."""

    field: Floats
    first: float
    step: float

    def around(self, shapes: Floats) -> Floats:
        """Rings (N, 6: curve and strength) of about one of these shapes (N, 5), in any size."""
        start = _resized(shapes, SIZES)
        came = self._settled(np.concatenate([self._settled(start, WIDE)[:, :5], start]), NARROW)
        likely = came[np.argsort(-came[:, 5])[:LIKELY], :5]
        curves = self._settled(likely, SETTLING)[:, :5]
        strengths = self._strengths(curves)
        return np.asarray(np.column_stack([curves, strengths])[strengths >= WEAKEST])

    def _settled(self, curves: Floats, windows: tuple[float, ...]) -> Floats:
        """Curves after the mean shift, with the mean weight of what they settled on (N, 6).

        The mean shift needs, at any radius, the crests' weight and mean place under a Gaussian window there; both are
        convolutions along the rays, done once a window for all curves.
        """
        outward = OUTWARD[::COARSE].astype(np.float32)
        products = (outward[:, :, None] * outward[:, None, :]).reshape(-1, 25)
        for window in windows:
            middle = radii(curves, COARSE)
            seen = self._looked_up(_windowed(self.field[::COARSE], window / self.step), middle)
            weight, moment = seen[..., 0], seen[..., 1]
            pull = moment / np.maximum(weight, 1e-6) - middle
            held = np.minimum(weight, 1.0) * (weight > 1e-4)
            normal = (held @ products).reshape(-1, 5, 5) + STIFFNESS / COARSE
            curves = curves + np.linalg.solve(normal, ((held * pull) @ outward)[..., None])[..., 0]
        oval = np.hypot(curves[:, 3], curves[:, 4]) / curves[:, 0]
        return np.column_stack([curves, held.mean(1)])[oval < MOST_OVAL]

    def _strengths(self, curves: Floats) -> Floats:
        """The mean over the rays of the best crest's strength near each curve, worth less the farther off it is."""
        radius, window = radii(curves, COARSE), SETTLING[-1]
        reach = round(1.5 * window / self.step)
        best = np.zeros_like(radius)
        for away in range(-reach, reach + 1):
            seen = self._looked_up(self.field[::COARSE], radius + away * self.step, cv2.INTER_NEAREST)
            off = seen[..., 1] / np.maximum(seen[..., 0], 1e-6) - radius
            best = np.maximum(best, seen[..., 0] * np.exp(-0.5 * (off / window) ** 2))
        return np.asarray(best.mean(-1))

    def _looked_up(self, field: Floats, radius: Floats, how: int = cv2.INTER_LINEAR) -> Floats:
        """Values (N, rays, 2) of a `field` (rays, samples, 2) at radii (N, rays), zero outside."""
        at = (radius - self.first) / self.step
        rays = np.broadcast_to(np.arange(len(field), dtype=np.float32), at.shape)
        return np.asarray(cv2.remap(field, at, rays, how, borderMode=cv2.BORDER_CONSTANT), np.float32)


def _crests(rgb: NDArray[np.uint8], frame: Ellipse) -> _Crests:
    """Unrolls the picture around an ellipse; crests are found to a fraction of a sample."""
    steps = int(np.clip((STRIP[1] - STRIP[0]) * frame.mean_radius / STEP_PX, *STEPS))
    radius, step = np.linspace(*STRIP, steps, dtype=np.float32, retstep=True)
    x, y = (RAY_DIRECTIONS @ frame.shape_matrix().T).astype(np.float32).T
    at_x, at_y = np.float32(frame.cx) + np.outer(x, radius), np.float32(frame.cy) + np.outer(y, radius)
    strip = cv2.remap(rgb, at_x, at_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    slope = _slope(np.asarray(strip, np.uint8))
    strength = slope / (slope + 2.5 * np.median(slope[::3, ::3]) + 3.0)
    before, here, after = slope[:, :-2], slope[:, 1:-1], slope[:, 2:]
    shift = 0.5 * (before - after) / np.minimum(before - 2 * here + after, -1e-6)
    crest = np.where((here >= before) & (here > after), strength[:, 1:-1], 0)
    moment = crest * (radius[1:-1] + np.clip(shift, -0.5, 0.5) * np.float32(step))
    return _Crests(np.dstack([crest, moment]), float(radius[1]), float(step))


def _slope(strip: NDArray[np.uint8]) -> Floats:
    """Steepness (RAYS, samples) along the rays of a strip (RAYS, samples, 3), summed over the colours."""
    reach = np.arange(-4, 5)
    along = np.exp(-0.5 * (reach / ALONG) ** 2)
    across = np.exp(-0.5 * (reach / ACROSS) ** 2)
    rise = np.convolve(along / along.sum(), [0.5, 0.0, -0.5])
    slopes = cv2.sepFilter2D(strip, cv2.CV_32F, rise, across / across.sum(), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(cv2.transform(np.abs(slopes), np.ones((1, 3), np.float32)), np.float32)


def _windowed(field: Floats, sigma: float) -> Floats:
    """Sum under a Gaussian window of height 1 and `sigma` samples, cut at 2.2 sigma, along the rays."""
    reach = max(int(np.ceil(2.2 * sigma)), 1)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    return np.asarray(cv2.sepFilter2D(field, -1, kernel, np.ones(1), borderType=cv2.BORDER_CONSTANT), np.float32)
