"""Soot all round the clock from two photos of one rim: what one does not show, the other may.

The vessel was turned, or the phone went round it, between the two: only with that turn known do their clocks fit
together. Without it the two stay two, and the sootier one speaks for the rim.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.planes import SECTORS
from pooleye.top.soot import FAR_U_L, Soot, summed_up
from pooleye.top.turn import Turn
from pooleye.top.wallband import PER_SECTOR

Array = NDArray[np.float64]

SECTOR_DEG = 360.0 / SECTORS


def all_round(first: Soot, second: Soot, turn: Turn | None) -> Soot:
    """Both views as one, by the clock of `first`. `turn`: how far the vessel stands further clockwise in `second`."""
    if turn is None:
        return min(first, second, key=lambda view: min(v for v in view.by_sector if v is not None))
    (a, u_a), (b, u_b) = _known(first), _turned(*_known(second), turn)
    with np.errstate(divide="ignore"):
        weight_a, weight_b = np.nan_to_num(u_a**-2.0), np.nan_to_num(u_b**-2.0)
    weight = weight_a + weight_b
    shown = weight > 0
    safe = np.where(shown, weight, 1.0)
    change = (weight_a * np.nan_to_num(a) + weight_b * np.nan_to_num(b)) / safe
    # what both see they see in the same way: the error is shared, so two looks are no better than the surer one
    return summed_up(change, np.fmin(u_a, u_b), np.where(shown, 1.0, 0.0), first.compared and second.compared)


def _known(view: Soot) -> tuple[Array, Array]:
    """Change and u by sector, nan where no wall shows."""
    return np.array(view.by_sector, float), np.array(view.u_by_sector, float)


def _turned(change: Array, u: Array, turn: Turn) -> tuple[Array, Array]:
    """The second view's sectors at the first one's clock; a sector between two takes its share of both, and an unsure
    turn adds to u by as much as they differ."""
    at = np.arange(SECTORS) + turn.deg / SECTOR_DEG
    low, part = np.floor(at).astype(int), at % 1.0
    pairs = [(values[low % SECTORS], values[(low + 1) % SECTORS]) for values in (change, u)]
    weight = np.stack([1 - part, part])
    known = np.isfinite(np.stack(pairs[0]))
    share = np.where(known, weight, 0.0)
    total = share.sum(0)
    enough = total >= 0.5
    share = share / np.where(enough, total, 1.0)
    value, spread = ((np.nan_to_num(np.stack(pair)) * share).sum(0) for pair in pairs)
    slope = np.where(known.all(0), pairs[0][1] - pairs[0][0], 0.0)
    beside = FAR_U_L * PER_SECTOR * (1 - total)  # one of its neighbours alone must speak for it
    spread = np.sqrt(spread**2 + (slope * turn.u_deg / SECTOR_DEG) ** 2 + beside**2)
    return np.where(enough, value, np.nan), np.where(enough, spread, np.nan)
