"""A vessel's pose, refined: its predicted outline is drawn to the edges that the picture shows beside it.

Each point of the outline looks along its normal for the edge; the pose that brings all points nearest to their
edges in the least squares sense is found by Gauss-Newton steps with weights that fall off for far ones (Tukey's
biweight; Huber, Robust Statistics, 1981, chapter 7), again and again with a shorter and shorter look (edge tracking
after Harris, "Tracking with rigid models", 1992). The covariance is the usual (J'WJ)^-1 times the scatter of the
residuals (Hartley & Zisserman, 2004, section 5.2), with neighbouring points counted as dependent. Many poses are
refined at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.side.outline import LINES, Edges, combined, outline_mm, outline_normals_px
from pooleye.side.pose import Poses

Array = NDArray[np.float64]

TILT_PRIOR = (np.radians(5.0), np.radians(12.0))  # judged: how people hold a phone beside a candle
HELD_TILT = np.radians(0.1)
POINTS_PER_EDGE = 6  # neighbouring points that share one edge's error
MIN_STRENGTH = 0.08  # of an edge, on the scale of Edges, below which a point saw nothing
INSIDE_WEIGHT = (0.05, 0.5)  # of the rim's inner half, for a lens below the rim or above it
OUTER_SHARE = 0.3  # by which an edge further out, by 2 px or more, may be weaker
MIN_SCATTER_PX = 0.15
USUAL_SCATTER_PX = 0.6
SCATTER_WEIGHT = 0.2  # in the score, per e-fold of scatter


@dataclass(frozen=True, eq=False)
class Fits:
    """Poses refined together: their covariances (N, 5, 5), the outlines' scatter about their edges (N,), and the edge
    strength (0 to 1, points without an edge counting 0) along each line."""

    poses: Poses
    covariances: Array
    scatters_px: Array
    strengths: dict[str, Array]

    @property
    def scores(self) -> Array:
        """As `outline.combined`, after fitting, better for outlines that lie exactly on their edges; (N,)."""
        exact = -SCATTER_WEIGHT * np.log(np.maximum(self.scatters_px, MIN_SCATTER_PX) / USUAL_SCATTER_PX)
        return np.asarray(combined(self.strengths, self.poses) + exact)


def refined(
    edges: Edges,
    poses: Poses,
    looks_px: tuple[float, ...],
    *,
    held: int = 0,
    rein: Array | None = None,
) -> Fits:
    """Every pose moved towards its edges, with shrinking looks to either side.

    The tilt is held in the first `held` steps: a wrong one lets the rim's two halves take each other's edges, and no
    small step leads out of that; so several tilts are tried and each is first fitted as well as it can be. `rein` (5,):
    how far each number of the pose may move in any step, as a standard deviation; inf for freely.
    """
    free = np.full(5, np.inf) if rein is None else rein
    held_tilt = np.where(np.arange(5) == 4, HELD_TILT, free)
    for index, look_px in enumerate(looks_px[:-1]):
        poses = _step(edges, poses, look_px, held_tilt if index < held else free).poses
    return _step(edges, poses, looks_px[-1], free)


def _step(edges: Edges, poses: Poses, look_px: float, rein: Array) -> Fits:
    points, parts = outline_mm(poses)
    seen = poses.seen_px(points)
    normals = outline_normals_px(seen, parts)
    offset, strength = _edge_beside(edges, seen, normals, look_px, _outwards(seen, normals, parts))
    weight = strength * (strength > MIN_STRENGTH)
    above = poses.lens_above_mm(poses.frustum.height_mm) > 0
    weight[:, parts[LINES.index("rim-inside")]] *= np.take(INSIDE_WEIGHT, above.astype(int))[:, None]
    moves, covariances, scatters, robust = solved(
        poses.slopes_px(points, normals), offset, weight, look_px, poses, rein
    )
    shown = strength * (robust > 0.3)
    return Fits(
        poses.moved(moves),
        covariances,
        scatters,
        {name: shown[:, part].mean(axis=1) for name, part in zip(LINES, parts, strict=True)},
    )


def _outwards(points: Array, normals: Array, parts: list[slice]) -> Array:
    """For each point (N, M) of a wall 1 or -1 as its normal points outwards or inwards; 0 elsewhere."""
    found = np.zeros(points.shape[:2])
    middle = points.mean(axis=1, keepdims=True)
    for name in ("left", "right"):
        part = parts[LINES.index(name)]
        found[:, part] = np.sign(((points[:, part] - middle) * normals[:, part]).sum(axis=-1))
    return found


def _edge_beside(edges: Edges, points: Array, normals: Array, look_px: float, outwards: Array) -> tuple[Array, Array]:
    """For each point (N, M, 2) how far along its normal the edge is, px, and its strength (0 to 1).

    Near edges are preferred to far ones by a Gaussian of 0.6 of the look, outer ones of a wall to inner ones: through
    glass the wax within shows a stronger edge than the glass itself.
    """
    steps = np.linspace(-look_px, look_px, 2 * int(np.ceil(look_px)) + 1).astype(np.float32)  # of which there are many
    thin = normals.astype(np.float32)[..., None, :]
    across = edges.along(points.astype(np.float32)[..., None, :] + steps[:, None] * thin, thin)
    rated = across * np.exp(-0.5 * (steps / (0.6 * look_px)) ** 2)
    beyond = OUTER_SHARE * np.clip(steps / 2, -1, 1)
    for side in (-1, 1):
        rated[outwards == side] *= 1 + side * beyond
    best = np.clip(rated.argmax(axis=-1), 1, len(steps) - 2)
    pose, point = np.ogrid[: best.shape[0], : best.shape[1]]
    before, here, after = (across[pose, point, best + k] for k in (-1, 0, 1))
    bend = before - 2 * here + after
    part = np.where(bend < -1e-6, 0.5 * (before - after) / np.where(bend < -1e-6, bend, -1.0), 0.0)
    return steps[best] + np.clip(part, -0.5, 0.5) * (steps[1] - steps[0]), here


def solved(
    slope: Array, offset: Array, weight: Array, look_px: float, poses: Poses, rein: Array
) -> tuple[Array, Array, Array, Array]:
    """Steps, covariances, scatters and robust weights of the weighted least squares problems slope @ step = offset."""
    tilt = poses.vectors[:, 4]
    robust = np.ones_like(weight)
    scatter = np.full(len(weight), max(look_px / 2, 0.3))
    for _ in range(4):
        used = weight * robust
        weighted = (slope * used[..., None]).transpose(0, 2, 1)
        normal, pull = weighted @ slope, (weighted @ offset[..., None])[..., 0]
        normal += (scatter**2)[:, None, None] * np.diag(1.0 / rein**2)
        if np.isinf(rein[4]):
            strength = scatter**2 / TILT_PRIOR[1] ** 2
            normal[:, 4, 4] += strength
            pull[:, 4] += strength * (TILT_PRIOR[0] - tilt)
        normal += 1e-6 * np.eye(5)
        step = np.linalg.solve(normal, pull[..., None])[..., 0]
        residual = offset - (slope @ step[..., None])[..., 0]
        scatter = np.maximum(_spread(residual, used), MIN_SCATTER_PX)
        robust = np.maximum(1 - (residual / (4.7 * scatter[:, None])) ** 2, 0) ** 2
    mean_weight = (weight * robust).sum(axis=1) / np.maximum((weight * robust > 0).sum(axis=1), 1)
    share = mean_weight * scatter**2 * POINTS_PER_EDGE
    covariance = np.asarray(np.linalg.inv(normal) * share[:, None, None], dtype=np.float64)
    return np.asarray(step, dtype=np.float64), covariance, scatter, robust


def _spread(residual: Array, weight: Array) -> Array:
    """Weighted median of the absolute residuals of each row, scaled to a standard deviation (Huber 1981: 1.4826)."""
    size = np.abs(residual)
    order = np.argsort(size, axis=1)
    rows = np.arange(len(size))
    total = np.cumsum(weight[rows[:, None], order], axis=1)
    middle = np.argmax(total >= total[:, -1:] / 2, axis=1)
    return np.asarray(1.4826 * size[rows, order[rows, middle]])
