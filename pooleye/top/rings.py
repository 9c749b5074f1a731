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
    found = _distinct(np.concatenate([_around(rgb, guess) for guess in guesses]), SAME)
    starts = _distinct(found, DIFFERENT)[:AGAIN]
    again = [_around(rgb, Ellipse.from_vector(start[:5])) for start in starts]
    rings = _distinct(np.concatenate([found, *again]), SAME)[:MOST]
    return [Ring(Ellipse.from_vector(ring[:5]), float(ring[5])) for ring in rings]


def apart(a: Ellipse, b: Ellipse) -> float:
    """How far two ellipses lie apart at most, over the radius of the second (an upper bound, close for near ones)."""
    return float(_gaps(a.vector()[None], b.vector())[0]) / b.mean_radius


def _gaps(vectors: Array, other: Array) -> Array:
    """Centres' distance, radii's difference and stretches' difference of (N, 5) ellipse vectors and one more, in px."""
    off = np.abs(vectors - other)
    return np.asarray(np.hypot(off[:, 0], off[:, 1]) + off[:, 2] + np.hypot(off[:, 3], off[:, 4]))


def _distinct(rings: Array, least: float) -> Array:
    """Of rings (N, 6: ellipse vector and strength) nearer to each other than `least` radii only the strongest;
    strongest first."""
    left = rings[np.argsort(-rings[:, 5], kind="stable")]
    kept = []
    while len(left):
        best = left[0]
        kept.append(best)
        left = left[_gaps(left[:, :5], best[:5]) > least * best[2]]
    return np.array(kept).reshape(-1, 6)


def _around(rgb: NDArray[np.uint8], guess: Ellipse) -> Array:
    """Rings (N, 6: ellipse vector and strength) around one guess."""
    strip, radii = _unrolled(rgb, guess)
    ridge, place = _ridges(strip, radii)
    settled = [_settle(ridge, place, radii, windows) for windows in WINDOWS]
    curves, strengths = np.concatenate([c for c, _ in settled]), np.concatenate([s for _, s in settled])
    rings = np.column_stack([_as_vectors(guess, curves), strengths])
    return np.asarray(rings[(strengths >= WEAKEST) & (curves[:, 0] > np.hypot(curves[:, 3], curves[:, 4]))])


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
        sums = _looked_up(np.dstack([weights, places]), (middle - radii[0]) / step)
        total = sums[..., 0]
        pull = sums[..., 1] / np.maximum(total, 1e-6) - middle
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


def _looked_up(field: Floats, at: Array) -> Floats:
    """Values (starts, RAYS, ...) of `field` (RAYS, samples, ...) at fractional samples, linear in between, zero
    outside."""
    rays = np.broadcast_to(np.arange(RAYS, dtype=np.float32), at.shape)
    seen = cv2.remap(field, at.astype(np.float32), rays, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(seen, np.float32)


def _as_vectors(guess: Ellipse, curves: Array) -> Array:
    """Ellipse vectors (N, 5) of curves (N, 5): in the unrolled frame's circle a curve is shift (a, b), radius s and
    stretch (c, d), to first order."""
    s, a, b, c, d = curves.T
    inner = np.stack([s + c, d, d, s - c], -1).reshape(-1, 2, 2)  # maps the unit circle to the curve
    shape = guess.shape_matrix()
    (m, n), (o, p) = (shape @ inner).transpose(1, 2, 0)
    # the polar form of a 2 x 2 matrix: mean radius, and half the difference of the axes with twice their angle
    turn = np.arctan2(o - n, m + p) + np.arctan2(o + n, m - p)
    stretch = np.hypot(m - p, o + n) / 2
    centre = guess.centre + np.stack([a, b], -1) @ shape.T
    return np.column_stack([centre, np.hypot(m + p, o - n) / 2, stretch * np.cos(turn), stretch * np.sin(turn)])
