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

from pooleye.side.flame import Body

Array = NDArray[np.float64]

DROP_Q, U_DROP_Q = 0.74, 0.15
BLOOM_SHARE = 0.5  # of the glow's softness: how far the plateau may have spread
SHARP_MM = 0.05
EDGE_MM = 0.25  # scatter of an edge beyond which it is doubted
TIP_MM = 0.2
SLOPE_PRIOR = 0.2


@dataclass(frozen=True, eq=False)
class Drop:
    """Tip (x, height), lean of the axis as dx per mm upwards, greatest width, bloom on either side, all mm; their
    covariance (5, 5) in the order tip height, x, slope, width, bloom; and the edges' scatter about the drop."""

    tip_mm: float
    x_mm: float
    slope: float
    width_mm: float
    bloom_mm: float
    covariance: Array
    scatter_mm: float

    @property
    def lean_deg(self) -> float:
        return float(np.degrees(np.arctan(self.slope)))


def drop_profile(t: Array, q: float) -> Array:
    """Width at the share t of the height below the tip, over the greatest width; 0 outside (0, 1)."""
    inside = np.clip(t, 0.0, 1.0)
    widest = 1.0 / (1.0 + q)
    return np.asarray(inside * (1 - inside) ** q / (widest * (1 - widest) ** q))


def fitted_drop(body: Body, foot_mm: float, skip_mm: tuple[float, float], q: float = DROP_Q) -> Drop:
    """The drop whose foot is at the height `foot_mm`, by robust least squares; rows between `skip_mm` are left out."""
    from scipy.optimize import least_squares

    use = ~((body.heights > skip_mm[0]) & (body.heights < skip_mm[1]))
    if use.sum() < 4:
        use = np.ones_like(use)
    heights, lefts, rights = body.heights[use], body.lefts[use], body.rights[use]
    share = np.sqrt(min(1.0, 40 / len(heights)))  # neighbouring rows share their errors

    def misfit(p: Array) -> Array:
        tip, x, slope, width, bloom = p
        half = width / 2 * drop_profile((tip - heights) / max(tip - foot_mm, 1.0), q) + bloom
        middle = x + slope * (heights - tip)
        away = np.concatenate([lefts - (middle - half), rights - (middle + half)])
        return np.asarray(away * (share / EDGE_MM))

    def with_priors(p: Array) -> Array:
        tip_u = TIP_MM + 0.3 * abs(p[4]) if body.top == "seen" else 3.0
        shift = p[4] if body.top == "seen" else 0.0
        priors = [
            (p[0] + shift - body.top_mm) / tip_u,
            p[4] / (SHARP_MM + BLOOM_SHARE * body.softness_mm),
            p[2] / SLOPE_PRIOR,
        ]
        soft = misfit(p)
        return np.concatenate([np.sign(soft) * np.sqrt(2 * (np.sqrt(1 + soft**2) - 1)), priors])

    middles = (lefts + rights) / 2
    start = np.array([body.top_mm, middles[0], 0.0, max(float(np.percentile(rights - lefts, 90)), 1.0), 0.05])
    floor = max(foot_mm, body.bottom_mm) + 0.5
    low = [floor, -np.inf, -1.0, 0.3, 0.0]
    high = [max(body.top_mm + 8, floor + 1), np.inf, 1.0, 40.0, 3.0]
    start[0] = np.clip(start[0], floor + 0.1, high[0] - 0.1)
    found = least_squares(with_priors, start, bounds=(low, high), x_scale=[1, 1, 0.1, 1, 0.3])
    scatter = float(np.median(np.abs(misfit(found.x))) * 1.4826 * EDGE_MM / share)
    covariance = np.linalg.pinv(found.jac.T @ found.jac)
    tip, x, slope, width, bloom = (float(value) for value in found.x)
    return Drop(tip, x, slope, width, bloom, covariance, scatter)
