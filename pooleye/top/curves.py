"""Ellipses near a guessed one, as curves in the frame in which the guess is the unit circle.

There a near ellipse is r(t) = s + a cos t + b sin t + c cos 2t + d sin 2t to first order, t the angle on the circle;
so fitting one to radii along rays is a linear problem in (s, a, b, c, d), its curve. What first order leaves out is
where on the circle a point of the ellipse comes to lie; `radii` takes that in.
"""

from __future__ import annotations

from functools import cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.ellipse import Ellipse

Array = NDArray[np.float64]
Real = TypeVar("Real", np.float32, np.float64)

RAYS = 180
_T = np.arange(RAYS) * (2 * np.pi / RAYS)
RAY_DIRECTIONS: Array = np.stack([np.cos(_T), np.sin(_T)], 1)
"""Unit vectors (RAYS, 2), evenly all round from +x towards +y."""
OUTWARD: Array = np.stack([np.ones(RAYS), np.cos(_T), np.sin(_T), np.cos(2 * _T), np.sin(2 * _T)], 1)
"""How far each part of a curve moves the circle's points outward (RAYS, 5), its slope along the circle, and sideways:
a shift moves them aside as well, and so does a stretch."""
_SLOPE: Array = np.stack([0 * _T, -np.sin(_T), np.cos(_T), -2 * np.sin(2 * _T), 2 * np.cos(2 * _T)], 1)
_ASIDE: Array = np.stack([0 * _T, -np.sin(_T), np.cos(_T), -np.sin(2 * _T), np.cos(2 * _T)], 1)
_PRODUCTS: Array = (OUTWARD[:, :, None] * OUTWARD[:, None, :]).reshape(RAYS, 25)
STRETCHES, STRETCH = 12, 1 / 3  # of the circle, left out in turn; how long
LEFT_OUT: Array = np.stack(
    [np.ones(RAYS)]
    + [((np.arange(RAYS) / RAYS - k / STRETCHES) % 1 >= STRETCH).astype(float) for k in range(STRETCHES)]
)
LEAST_U = 0.002  # radii: edges are not told apart more finely by a robust fit
ROUNDS = 5
CUTOFF = 4.685 * 1.4826  # Tukey's biweight with 95 % efficiency, over the median absolute deviation


def radii(curves: NDArray[Real], every: int = 1) -> NDArray[Real]:
    """Radius (N, rays) of curves (N, 5) along every so many-th ray, to second order, as finely as the curves are."""
    outward, aside, slope = (curves @ part for part in _parts(every, curves.dtype))
    return np.asarray(outward - aside * (slope - aside / 2) / curves[:, :1])


@cache
def _parts(every: int, kind: np.dtype[Any]) -> tuple[NDArray[Any], ...]:
    """OUTWARD, ASIDE and SLOPE at every so many-th ray, (5, rays) each."""
    return tuple(np.ascontiguousarray(part[::every].T, kind) for part in (OUTWARD, _ASIDE, _SLOPE))


def as_vectors(guess: Ellipse, curves: Array) -> Array:
    """Ellipse vectors (N, 5) of curves (N, 5): shift (a, b), radius s, stretch (c, d) of the guess's unit circle."""
    s, a, b, c, d = curves.T
    inner = np.stack([s + c, d, d, s - c], -1).reshape(-1, 2, 2)  # maps the unit circle to the curve
    shape = guess.shape_matrix()
    (m, n), (o, p) = (shape @ inner).transpose(1, 2, 0)
    # the polar form of a 2 x 2 matrix: mean radius, and half the difference of the axes with twice their angle
    turn = np.arctan2(o - n, m + p) + np.arctan2(o + n, m - p)
    stretch = np.hypot(m - p, o + n) / 2
    centre = guess.centre + np.stack([a, b], -1) @ shape.T
    return np.column_stack([centre, np.hypot(m + p, o - n) / 2, stretch * np.cos(turn), stretch * np.sin(turn)])


def as_curve(guess: Ellipse, ellipse: Ellipse) -> Array:
    """The curve (5,) of another ellipse in the guess's frame; the inverse of `as_vectors`."""
    to_unit = np.linalg.inv(guess.shape_matrix())
    a, b = to_unit @ (ellipse.centre - guess.centre)
    inner = to_unit @ ellipse.shape_matrix()
    # the symmetric factor of its polar form: the root of inner inner^T
    squared, det = inner @ inner.T, float(np.linalg.det(inner))
    root = (squared + det * np.eye(2)) / np.sqrt(np.trace(squared) + 2 * det)
    return np.array([np.trace(root) / 2, a, b, (root[0, 0] - root[1, 1]) / 2, root[0, 1]])


def fit_curve(reach: Array, weights: Array) -> Array:
    """The curve (5,) nearest to radii (RAYS,) along the rays; nan: nothing seen there.

    What is not part of the ellipse (a reflection, a shadow's edge) mostly takes up one stretch of it: so each stretch
    is left out in turn, the curve that most rays lie nearest to is taken, and settles by Tukey's biweight.
    """
    seen = np.isfinite(reach)
    weights = np.where(seen, weights, 0.0)
    values = np.where(seen, reach, 0.0)
    trust = weights * LEFT_OUT
    normal = (trust @ _PRODUCTS).reshape(-1, 5, 5) + 1e-6 * np.eye(5)
    curves = np.asarray(np.linalg.solve(normal, ((trust * values) @ OUTWARD)[..., None])[..., 0], float)
    curve: Array = curves[int(np.argmin(_medians(np.abs(values - radii(curves))[:, seen])))]
    for _ in range(ROUNDS):
        off = values - radii(curve[None])[0]
        cutoff = CUTOFF * max(float(_medians(np.abs(off[seen]))), LEAST_U)
        weighted = OUTWARD.T * (weights * np.maximum(1 - (off / cutoff) ** 2, 0.0) ** 2)
        curve = curve + np.asarray(np.linalg.solve(weighted @ OUTWARD + 1e-6 * np.eye(5), weighted @ off), float)
    return curve


def _medians(values: Array) -> Array:
    """Of each row (..., n); several times faster than NumPy's own on so few."""
    ordered, n = np.sort(values, axis=-1), values.shape[-1]
    return np.asarray((ordered[..., (n - 1) // 2] + ordered[..., n // 2]) / 2)
