"""A flame's axis, tip and width, from the edges of its bright body.

The edges are laid on a drop: half-width W/2 g(s/h) at a distance s below the tip, h the flame's whole height and
g(t) = t (1 - t)^q / max, widest at t = 1/(1 + q) from the tip. The drop is a description, not a law: q was set on
flames that show as a whole and is varied for the uncertainty. Where light spreads in the lens or the sensor
overflows, the plateau is wider than the flame by the same `bloom` on either side all along; it shows near the tip,
where the flame itself is thin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.side.flame import FEWEST_EDGES, Body

Array = NDArray[np.float64]

DROP_Q, U_DROP_Q = 0.74, 0.15
BLOOM_SHARE = 0.5  # of the glow's softness: how far the plateau may have spread
SHARP_MM = 0.05
EDGE_MM = 0.25  # scatter of an edge beyond which it is doubted
TIP_MM = 0.2
SLOPE_PRIOR = 0.2
MAX_STEPS = 40
ENOUGH_GAIN = 1e-7
LEAST_HOLD = 1e-6  # of a parameter that no edge tells anything about


@dataclass(frozen=True, eq=False)
class Drop:
    """Tip (x, height), lean of the axis as dx per mm upwards, greatest width, bloom on either side, all mm; their
    covariance (5, 5) in the order tip height, x, slope, width, bloom; the edges' scatter about the drop; and the fit's
    cost, minus the logarithm of its likelihood."""

    tip_mm: float
    x_mm: float
    slope: float
    width_mm: float
    bloom_mm: float
    covariance: Array
    scatter_mm: float
    cost: float

    @property
    def parameters(self) -> Array:
        return np.array([self.tip_mm, self.x_mm, self.slope, self.width_mm, self.bloom_mm])

    @property
    def lean_deg(self) -> float:
        return float(np.degrees(np.arctan(self.slope)))


def drop_profile(t: Array, q: float) -> Array:
    """Width at the share t of the height below the tip, over the greatest width; 0 outside (0, 1)."""
    inside = np.clip(t, 0.0, 1.0)
    widest = 1.0 / (1.0 + q)
    return np.asarray(inside * (1 - inside) ** q / (widest * (1 - widest) ** q))


def fitted_drop(
    body: Body, foot_mm: float, skip_mm: tuple[float, float], q: float = DROP_Q, near: Drop | None = None
) -> Drop:
    """The drop whose foot is at the height `foot_mm`, by robust least squares; rows between `skip_mm` are left out.

    `near`: a drop to start from.
    """
    use = ~((body.heights > skip_mm[0]) & (body.heights < skip_mm[1]))
    if use.sum() < FEWEST_EDGES:
        use = np.ones_like(use)
    sure = body.sure[use]
    if sure.sum(axis=0).min() < FEWEST_EDGES:
        sure = np.ones_like(sure)
    edges = _Edges(body, body.heights[use], body.lefts[use], body.rights[use], sure.T.ravel(), foot_mm, q)
    floor = max(foot_mm, body.bottom_mm) + 0.5
    low = np.array([floor, -np.inf, -1.0, 0.3, 0.0])
    high = np.array([max(body.top_mm + 8, floor + 1), np.inf, 1.0, 40.0, 3.0])
    start = edges.start() if near is None else near.parameters
    best, cost, normal = _least(edges, start.clip(low, high), low, high)
    misfit, _ = edges.misfit(best)
    scatter = float(np.median(np.abs(misfit[edges.sure])) * 1.4826 * EDGE_MM / edges.share)
    tip, x, slope, width, bloom = (float(value) for value in best)
    return Drop(tip, x, slope, width, bloom, np.asarray(np.linalg.pinv(normal), dtype=np.float64), scatter, cost)


@dataclass(frozen=True, eq=False)
class _Edges:
    """A body's edges and what they say about a drop's parameters: tip height, x, slope, width, bloom."""

    body: Body
    heights: Array
    lefts: Array
    rights: Array
    sure: NDArray[np.bool_]
    foot_mm: float
    q: float

    @property
    def share(self) -> float:
        """Weight of a row: neighbouring rows share their errors."""
        return float(np.sqrt(min(1.0, 40 / len(self.heights))))

    def start(self) -> Array:
        width = max(self.body.widest_mm, 1.0)
        return np.array([self.body.top_mm, (self.lefts[0] + self.rights[0]) / 2, 0.0, width, 0.05])

    def misfit(self, p: Array) -> tuple[Array, Array]:
        """How far the edges, left then right, lie from the drop, in units of EDGE_MM; and its slopes (2M, 5)."""
        tip, x, slope, width, bloom = p
        length = max(tip - self.foot_mm, 1.0)
        t = (tip - self.heights) / length
        profile, steepness = _profile_and_slope(t, self.q)
        half, middle = width / 2 * profile + bloom, x + slope * (self.heights - tip)
        half_by_tip = width / 2 * steepness * ((1 - t) / length if length > 1.0 else 1.0)
        one = np.ones_like(t)
        by_middle = np.stack([-slope * one, one, self.heights - tip, 0 * one, 0 * one], axis=1)
        by_half = np.stack([half_by_tip, 0 * one, 0 * one, profile / 2, one], axis=1)
        away = np.concatenate([self.lefts - (middle - half), self.rights - (middle + half)])
        slopes = np.concatenate([by_half - by_middle, -by_half - by_middle])
        weight = self.sure * (self.share / EDGE_MM)
        return away * weight, slopes * weight[:, None]

    def priors(self, p: Array) -> tuple[Array, Array]:
        """What is expected of tip, bloom and lean before the edges are seen, as misfits with their slopes (3, 5)."""
        seen = self.body.top == "seen"
        tip_u = TIP_MM + 0.3 * p[4] if seen else 3.0
        above = p[0] + (p[4] if seen else 0.0) - self.body.top_mm
        bloom_u = SHARP_MM + BLOOM_SHARE * self.body.softness_mm
        slopes = np.zeros((3, 5))
        slopes[0, 0], slopes[1, 4], slopes[2, 2] = 1 / tip_u, 1 / bloom_u, 1 / SLOPE_PRIOR
        if seen:
            slopes[0, 4] = 1 / tip_u - 0.3 * above / tip_u**2
        return np.array([above / tip_u, p[4] / bloom_u, p[2] / SLOPE_PRIOR]), slopes

    def at(self, p: Array) -> tuple[float, Array, Array]:
        """Cost of these parameters, weighted normal matrix (5, 5) and pull (5,) there. Edges weigh by pseudo-Huber's
        rule (Hartley & Zisserman, 2004, A6.8)."""
        misfit, slopes = self.misfit(p)
        expected, prior_slopes = self.priors(p)
        root = np.sqrt(1 + misfit**2)
        weighted = slopes / root[:, None]
        normal = slopes.T @ weighted + prior_slopes.T @ prior_slopes
        return (
            float((root - 1).sum() + (expected**2).sum() / 2),
            normal,
            -(weighted.T @ misfit + prior_slopes.T @ expected),
        )


def _profile_and_slope(t: Array, q: float) -> tuple[Array, Array]:
    """`drop_profile` and its derivative."""
    inside = (t > 0.0) & (t < 1.0)
    safe = np.where(inside, t, 0.5)
    profile = np.where(inside, drop_profile(safe, q), 0.0)
    return profile, np.where(inside, profile * (1 / safe - q / (1 - safe)), 0.0)


def _least(edges: _Edges, p: Array, low: Array, high: Array) -> tuple[Array, float, Array]:
    """The parameters of least cost between bounds, that cost, and the weighted normal matrix there.

    Levenberg-Marquardt steps (Nocedal & Wright, Numerical Optimization, 2nd ed. 2006, section 10.3); parameters that
    would leave their bounds stay at them.
    """
    damping = 1e-3
    cost, normal, pull = edges.at(p)
    for _ in range(MAX_STEPS):
        free = ~(((p <= low) & (pull < 0)) | ((p >= high) & (pull > 0)))
        step = np.zeros(5)
        damped = normal[np.ix_(free, free)] + damping * np.diag(np.maximum(np.diag(normal)[free], LEAST_HOLD))
        step[free] = np.linalg.solve(damped, pull[free])
        there = (p + step).clip(low, high)
        found = edges.at(there)
        if found[0] < cost:
            gained, p, damping = cost - found[0], there, damping / 10
            cost, normal, pull = found
            if gained < ENOUGH_GAIN * (1 + cost):
                break
        else:
            damping *= 10
            if damping > 1e6:
                break
    return p, cost, normal
