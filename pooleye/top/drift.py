"""Whether a wick stands at the wall, or has come loose: between two photos of one candle it may not move.

A vessel is turned between two photos. Where the turn is known from marks on the vessel, feet are compared where they
are; else what no turn changes: distances from the axis and between the wicks. That is the least that they have moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from pooleye.top.turn import Turn

Array = NDArray[np.float64]

AT_WALL_MM, MOVED_MM = 10.0, 5.0
"""Nearer to the wall, or moved by more: a stop. ASTM F2417-23 (second-hand) forbids a shift that puts flame on the
container and gives no distance; judged, and the same as in pooleye/judge/criteria.toml."""


def adrift(to_wall_mm: tuple[float, float], moved_mm: tuple[float, float] | None) -> tuple[str, ...]:
    """The stop for a wick at the wall, or one that has moved, by more than 2u; a caution where 2u leave that open.
    Of each the value and its u. A move within its own u is no sign of one."""
    wall, u_wall = to_wall_mm
    moved, u_moved = moved_mm or (0.0, 0.0)
    if wall + 2 * u_wall < AT_WALL_MM or moved - 2 * u_moved > MOVED_MM:
        return ("wick-adrift",)
    perhaps_moved = moved > u_moved and moved + 2 * u_moved > MOVED_MM
    return ("wick-perhaps-adrift",) if wall - 2 * u_wall < AT_WALL_MM or perhaps_moved else ()


def least_to_wall_mm(feet_mm: Sequence[Array], wall_radius_mm: float) -> float:
    """Distance from the wall of the wick that stands nearest to it; at least one foot."""
    return min(wall_radius_mm - float(np.hypot(*foot)) for foot in feet_mm)


def least_moved_mm(now: Sequence[Array], before: Sequence[Array], turn: Turn | None) -> float | None:
    """The least by which some wick has moved, from feet (2,) in the wax plane; None where the wicks are not the same
    number, which only says that one was not seen. `turn` must not come from the wicks themselves."""
    if len(now) != len(before) or not now:
        return None
    if turn is None:
        radii = np.abs(np.sort(np.hypot(*np.transpose(now))) - np.sort(np.hypot(*np.transpose(before))))
        between = np.abs(_distances(now) - _distances(before)) / 2  # two wicks share what moved
        return float(np.concatenate([radii, between]).max())
    from scipy.optimize import linear_sum_assignment

    turned = np.asarray(before) @ _turning(turn.deg).T
    apart = np.hypot(*(np.asarray(now)[:, None] - turned).transpose(2, 0, 1))
    return float(apart[linear_sum_assignment(apart)].max())


def _distances(feet_mm: Sequence[Array]) -> Array:
    return np.sort([float(np.hypot(*(a - b))) for a, b in combinations(feet_mm, 2)])


def _turning(deg: float) -> Array:
    """Turns (x, y) clockwise as seen, y up."""
    c, s = np.cos(np.radians(deg)), np.sin(np.radians(deg))
    return np.array([[c, s], [-s, c]])
