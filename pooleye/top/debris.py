"""Debris on the wax: match heads, wick trimmings, crumbs of carbon. It can burn as a second wick.

The near net marks spots; a spot counts where wax lies under it and nothing else explains it: the wick, its carbon ball,
the flame, and their mirror image in the pool, which stands opposite to the flame about the wick's foot.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import Closeup, FloatMap
from pooleye.top.regions import regions
from pooleye.top.wick import Wick

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

SEEN, PERHAPS = 0.3, 0.15  # height of the net's spot from which there is debris; from which there may be
SPOT_RADII = 0.06  # rim radii between two pieces that can be told apart
WICK_RADII = 0.10  # round a wick's foot its own dark end, and the net's spot for it, are no debris
ON_WAX = 0.5
LONG = 2.2  # length over width of a streak; one piece makes a round spot, whatever its own shape
MARGIN_PX = 5  # of the square, round flame, ball and mirror image
MIRROR_STRETCH = 1.5  # a bent wick throws its image farther than it stands itself, and the foot may be off
U_SURE, U_EACH = 0.2, 0.5


@dataclass(frozen=True, eq=False)
class Debris:
    """Pieces on the wax: places in working pixels (n, 2) and in the wax plane (n, 2) mm; `perhaps`: fainter spots."""

    at_px: Array
    at_mm: Array
    perhaps: int

    @property
    def count(self) -> int:
        return len(self.at_px)

    @property
    def u_count(self) -> float:
        """Each faint spot is debris as likely as not."""
        return float(np.hypot(U_SURE, U_EACH * np.sqrt(self.perhaps)))


def find_debris(close: Closeup, wicks: list[Wick], frame: VesselFrame, depth_mm: float) -> Debris:
    """Pieces on the wax."""
    spots = np.asarray(cv2.GaussianBlur(close.crumbs, (0, 0), 1.0), np.float32)
    if spots.max() < PERHAPS:
        return Debris(np.zeros((0, 2)), np.zeros((0, 2)), 0)
    under = np.asarray(cv2.dilate(np.maximum(close.wax, close.pool), np.ones((5, 5), np.uint8)), np.float32)
    spots *= (under >= ON_WAX) & (_explained(close, wicks) == 0)
    y, x = _peaks(spots, SPOT_RADII * close.px_per_radius)
    sure = (spots[y, x] >= SEEN) & ~_streaks(spots)[y, x]
    px = close.to_photo(np.column_stack([x, y])[sure].astype(float).reshape(-1, 2))
    return Debris(px, frame.to_plane(px, depth_mm), int((~sure).sum()))


def _peaks(spots: FloatMap, apart_px: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns (n,) of what stands highest within `apart_px`."""
    x, y, w, h = cv2.boundingRect((spots >= PERHAPS).view(np.uint8))
    spots = spots[y : y + h, x : x + w]
    if not spots.size:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    size = 2 * round(apart_px) + 1
    highest = cv2.dilate(spots, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)))
    rows, columns = np.nonzero((spots == highest) & (spots >= PERHAPS))
    return y + rows, x + columns


def _streaks(spots: FloatMap) -> NDArray[np.bool_]:
    """Where spots run together into something long: a wick's shadow more likely than debris."""
    labels, areas = regions(spots >= PERHAPS)
    places = np.flatnonzero(labels)
    which = labels.take(places)
    area = np.maximum(areas, 2)  # of one pixel nothing is long
    off = np.stack(
        [at - (np.bincount(which, at, len(area)) / area)[which] for at in np.divmod(places, labels.shape[1])]
    )
    xx, xy, yy = (np.bincount(which, off[i] * off[j], len(area)) / (area - 1) for i, j in ((0, 0), (0, 1), (1, 1)))
    mean, apart = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)  # eigenvalues of the covariance: mean ± apart
    narrow, wide = np.sqrt(np.maximum(mean - apart, 0.25)), np.sqrt(np.maximum(mean + apart, 0.25))
    return np.asarray(((areas > 4) & (wide > LONG * narrow))[labels])


def _explained(close: Closeup, wicks: list[Wick]) -> Mask:
    """What is wick, ball, flame or their mirror image, in the square's pixels."""
    mask = (np.maximum(close.flame, close.ball) > 0.3).astype(np.uint8)
    feet = [close.to_square(wick.foot_px)[0] for wick in wicks]
    for foot in feet:
        cv2.circle(mask, _pixel(foot), round(WICK_RADII * close.px_per_radius), 1, -1)
    for _, mirrored, flame in close.bright_spots:
        if mirrored or not feet:
            continue
        places = np.asarray(cv2.findNonZero(flame.view(np.uint8)), np.int32).reshape(-1, 2)
        middle = places.mean(0)
        foot = min(feet, key=lambda at: float(np.hypot(*(middle - at))))
        _add_mirror_image(mask, np.asarray(cv2.convexHull(places), float).reshape(-1, 2), foot)
    size = 2 * MARGIN_PX + 1
    return np.asarray(cv2.dilate(mask, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))), np.uint8)


def _add_mirror_image(mask: Mask, flame: Array, foot: Array) -> None:
    """A flame's outline (N, 2) turned half round its foot, with some to spare, and what lies between."""
    both = np.vstack([flame, foot + MIRROR_STRETCH * (foot - flame)])
    hull = cv2.convexHull(np.round(both).astype(np.int32))
    cv2.fillConvexPoly(mask, np.asarray(hull, np.int32), 1)


def _pixel(at: Array) -> tuple[int, int]:
    return round(float(at[0])), round(float(at[1]))
