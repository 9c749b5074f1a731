"""Round edges near a first guess of a rim: every ellipse along which the picture has an edge almost all round.

The picture is unrolled along rays from the guessed ellipse; in the unrolled strip any nearby ellipse is the curve
r(t) = s + a cos t + b sin t + c cos 2t + d sin 2t (first order in its difference from the guess, t the eccentric
angle). Many starts s settle at once by mean shift onto the ridges of the gradient with a shrinking window (Comaniciu &
Meer, IEEE Trans. PAMI 24(5), 2002, from memory), so every ring in the strip is met, not only the strongest.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.ellipse import Ellipse

Array = NDArray[np.float64]
Floats = NDArray[np.float32]

RAYS = 180
_T = np.arange(RAYS) * (2 * np.pi / RAYS)
_UNIT = np.stack([np.cos(_T), np.sin(_T)], 1)
_BASIS = np.stack([np.ones(RAYS), np.cos(_T), np.sin(_T), np.cos(2 * _T), np.sin(2 * _T)], 1)
_PRODUCTS = (_BASIS[:, :, None] * _BASIS[:, None, :]).reshape(RAYS, 25)
STRIP = (0.80, 1.24)  # of the guessed radius
STARTS = np.arange(0.88, 1.16, 0.006)
WINDOWS = ((0.016, 0.010, 0.006, 0.004, 0.0025, 0.0025), (0.006, 0.0045, 0.0035, 0.0025, 0.0025))
"""Of the guessed radius: wide ones find rings that the guess misses in shape, narrow ones keep near rings apart."""
STIFFNESS = np.diag([1e-3, 0.3, 0.3, 1.0, 1.0])  # holds the shape where few rays have an edge, in rays
SAME = 0.004  # rings nearer than this, in radii, are one
DIFFERENT = 0.015  # rings farther apart than this are worth a search of their own
AGAIN = 3
WEAKEST = 0.15
MOST = 80


@dataclass(frozen=True)
class Ring:
    """An edge all round: its ellipse in working pixels, and its strength, 0 to 1 (1: a crisp edge on every ray)."""

    ellipse: Ellipse
    strength: float


def find_rings(rgb: NDArray[np.uint8], guesses: list[Ellipse]) -> list[Ring]:
    """The distinct rings around several guesses, strongest first.

    A guess that is out of shape misses rings that are not; so the strongest rings found are taken as guesses in turn
    (an outer lip found crisply brings the inner one with it, since both have nearly the same shape).
    """
    rings = _distinct([ring for guess in guesses for ring in _around(rgb, guess)], SAME)
    starts = _distinct(rings, DIFFERENT)[:AGAIN]
    rings += [ring for start in starts for ring in _around(rgb, start.ellipse)]
    return _distinct(rings, SAME)[:MOST]


def apart(a: Ellipse, b: Ellipse) -> float:
    """How far two ellipses lie apart at most, over the radius of the second (an upper bound, close for near ones)."""
    return float(_gaps(a.vector()[None], b.vector())[0]) / b.mean_radius


def _gaps(vectors: Array, other: Array) -> Array:
    """Centres' distance, radii's difference and stretches' difference of (N, 5) ellipse vectors and one more, in px."""
    off = np.abs(vectors - other)
    return np.asarray(np.hypot(off[:, 0], off[:, 1]) + off[:, 2] + np.hypot(off[:, 3], off[:, 4]))


def _distinct(rings: list[Ring], least: float) -> list[Ring]:
    """Of rings nearer to each other than `least` radii only the strongest; strongest first."""
    order = sorted((ring for ring in rings if ring.strength >= WEAKEST), key=lambda ring: -ring.strength)
    vectors = np.array([ring.ellipse.vector() for ring in order]).reshape(-1, 5)
    free = np.ones(len(order), bool)
    kept = []
    for k, ring in enumerate(order):
        if free[k]:
            kept.append(ring)
            free &= _gaps(vectors, vectors[k]) > least * ring.ellipse.mean_radius
    return kept


def _around(rgb: NDArray[np.uint8], guess: Ellipse) -> list[Ring]:
    strip, radii = _unrolled(rgb, guess)
    ridge, place = _ridges(strip, radii)
    settled = [_settle(ridge, place, radii, windows) for windows in WINDOWS]
    curves, strengths = np.concatenate([c for c, _ in settled]), np.concatenate([s for _, s in settled])
    return [Ring(_as_ellipse(guess, c), float(s)) for c, s in zip(curves, strengths, strict=True) if s >= WEAKEST]


def _unrolled(rgb: NDArray[np.uint8], guess: Ellipse) -> tuple[NDArray[np.float32], Array]:
    steps = int(np.clip((STRIP[1] - STRIP[0]) * guess.mean_radius / 0.8, 90, 240))
    radii = np.linspace(*STRIP, steps)
    rays = _UNIT @ guess.shape_matrix().T
    px = (guess.centre + radii[None, :, None] * rays[:, None]).astype(np.float32)
    strip = cv2.remap(rgb, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(strip, np.float32), radii


def _ridges(strip: NDArray[np.float32], radii: Array) -> tuple[Floats, Floats]:
    """Strength 0..1 of the gradient's crests along each ray (zero elsewhere), and each crest's sub-sample radius."""
    smooth = cv2.GaussianBlur(strip, (0, 0), sigmaX=0.9, sigmaY=1.0)
    slope = np.abs(np.gradient(smooth, axis=1)).sum(-1)
    strength = slope / (slope + 2.5 * np.median(slope) + 3.0)
    before, here, after = slope[:, :-2], slope[:, 1:-1], slope[:, 2:]
    crest = np.zeros_like(slope)
    crest[:, 1:-1] = np.where((here >= before) & (here > after), strength[:, 1:-1], 0)
    bend = np.minimum(before - 2 * here + after, -1e-6)
    shift = np.zeros_like(slope)
    shift[:, 1:-1] = np.clip(0.5 * (before - after) / bend, -0.5, 0.5)
    place = radii + shift * (radii[1] - radii[0])
    return crest.astype(np.float32), place.astype(np.float32)


def _settle(ridge: Floats, place: Floats, radii: Array, windows: tuple[float, ...]) -> tuple[Array, Array]:
    """Curves (starts, 5) and their strengths after the mean shift.

    The mean shift needs, at any radius, the crests' weight and mean place under a Gaussian window there; both are
    convolutions along the rays, done once a window for all starts.
    """
    step = radii[1] - radii[0]
    curve = np.zeros((len(STARTS), 5))
    curve[:, 0] = STARTS
    for window in windows:
        weights, places = (_blurred_along(field, window / step) for field in (ridge, ridge * place))
        middle = curve @ _BASIS.T
        at = (middle - radii[0]) / step
        total = _looked_up(weights, at)
        pull = _looked_up(places, at) / np.maximum(total, 1e-6) - middle
        held = np.minimum(total, 1.0) * (total > 1e-4)
        normal = (held @ _PRODUCTS).reshape(-1, 5, 5) + STIFFNESS
        curve = curve + np.linalg.solve(normal, ((held * pull) @ _BASIS)[..., None])[..., 0]
    nearest = _nearest_crest(ridge, windows[-1] / step)
    return curve, _looked_up(nearest, (curve @ _BASIS.T - radii[0]) / step).mean(-1)


def _blurred_along(field: Floats, sigma: float) -> Floats:
    """Sum under a Gaussian window of height 1 and `sigma` samples, cut at 2.2 sigma, along the rays."""
    reach = max(int(2.2 * sigma), 2)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2).astype(np.float32)
    blurred = cv2.sepFilter2D(field, cv2.CV_32F, kernel, np.ones(1, np.float32), borderType=cv2.BORDER_CONSTANT)
    return np.asarray(blurred, np.float32)


def _nearest_crest(ridge: Floats, sigma: float) -> Floats:
    """The strongest crest near each sample, weakened with its distance by the same window."""
    reach = max(int(2.2 * sigma), 2)
    padded = np.pad(ridge, ((0, 0), (reach, reach)))
    width = ridge.shape[1]
    shifted = [
        padded[:, reach + k : reach + k + width] * np.float32(np.exp(-0.5 * (k / sigma) ** 2))
        for k in range(-reach, reach + 1)
    ]
    return np.asarray(np.maximum.reduce(shifted), np.float32)


def _looked_up(field: Floats, at: Array) -> Array:
    """Values (starts, RAYS) of `field` (RAYS, samples) at fractional samples, linear in between, zero outside."""
    low = np.clip(np.floor(at).astype(np.intp), 0, field.shape[1] - 2)
    part = at - low
    inside = (part >= 0) & (part <= 1)
    rays = np.arange(RAYS)
    return np.asarray(np.where(inside, field[rays, low] * (1 - part) + field[rays, low + 1] * part, 0.0))


def _as_ellipse(guess: Ellipse, curve: Array) -> Ellipse:
    """The ellipse of a curve: in the unrolled frame's circle it is shift (a, b), radius s and stretch (c, d)."""
    s, a, b, c, d = curve
    inner = np.array([[s + c, d], [d, s - c]])  # maps the unit circle to the curve, to first order
    shape = guess.shape_matrix()
    centre = guess.centre + shape @ np.array([a, b])
    u, axes, _ = np.linalg.svd(shape @ inner)
    return Ellipse(centre[0], centre[1], axes[0], axes[1], float(np.arctan2(u[1, 0], u[0, 0])))
