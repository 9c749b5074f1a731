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
    return crest.astype(np.float32), place.astype(np.float32)  # half the bytes, the search is bound by them


def _settle(ridge: Floats, place: Floats, radii: Array, windows: tuple[float, ...]) -> tuple[Array, Array]:
    """Curves (starts, 5) and their strengths after the mean shift."""
    curve = np.zeros((len(STARTS), 5))
    curve[:, 0] = STARTS
    for window in windows:
        weight, off = _within(ridge, place, radii, curve, window)
        total = weight.sum(-1)
        pull = (weight * off).sum(-1) / (total + 1e-9)
        held = np.minimum(total, 1.0)
        normal = np.einsum("sn,ni,nj->sij", held, _BASIS, _BASIS, optimize=True) + STIFFNESS
        curve = curve + np.linalg.solve(normal, ((held * pull) @ _BASIS)[..., None])[..., 0]
    weight, _ = _within(ridge, place, radii, curve, windows[-1])
    return curve, weight.max(-1).mean(-1)


def _within(ridge: Floats, place: Floats, radii: Array, curve: Array, window: float) -> tuple[Floats, Floats]:
    """For every start, ray and sample near its curve: the crest's weight and its distance from the curve."""
    step = radii[1] - radii[0]
    middle = curve @ _BASIS.T
    reach = max(int(2.2 * window / step), 2)
    index = np.round((middle - radii[0]) / step).astype(int)[..., None] + np.arange(-reach, reach + 1)
    inside = (index >= 0) & (index < len(radii))
    index = np.clip(index, 0, len(radii) - 1)
    rays = np.arange(RAYS)[None, :, None]
    off = place[rays, index] - middle[..., None].astype(np.float32)
    near = np.exp(off * off * np.float32(-0.5 / window**2))
    return ridge[rays, index] * inside * near, off


def _as_ellipse(guess: Ellipse, curve: Array) -> Ellipse:
    """The ellipse of a curve: in the unrolled frame's circle it is shift (a, b), radius s and stretch (c, d)."""
    s, a, b, c, d = curve
    inner = np.array([[s + c, d], [d, s - c]])  # maps the unit circle to the curve, to first order
    shape = guess.shape_matrix()
    centre = guess.centre + shape @ np.array([a, b])
    u, axes, _ = np.linalg.svd(shape @ inner)
    return Ellipse(centre[0], centre[1], axes[0], axes[1], float(np.arctan2(u[1, 0], u[0, 0])))
