"""Which round mouths the photo shows, and which of them is the candle that is meant."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.optics.ellipse import Ellipse
from pooleye.photo import shrunk_to
from pooleye.top import networks
from pooleye.top.regions import regions

Rgb = NDArray[np.uint8]
SURE = 0.5  # probability from which a pixel counts
LEAST_SHARE = 0.0012  # of the picture's area; a mouth of 27 px in the net's 384 x 288
LEAST_SURE = 0.78  # mean probability inside; vessels have 0.9 and more, gravel and grass at most 0.75
CANDLE_SURE, CANDLE_SIZE = 0.89, 0.35
"""And that of a candle among several mouths, and its size over that of the largest (a tea light beside a large jar has
0.37): labels, dishes and glints had up to 0.89 or are smaller, candles have 0.89 to 0.97."""
SOLID, WORN = 0.94, (0.3, 0.4, 0.5, 0.6)
"""Area over that of its hull below which a region may be several mouths that touch, and shares of its half width that
are worn away to tell."""
LEAST_OVAL = 0.80  # overlap of a region with its own ellipse over their union; a square has 0.86, two joined rims less
EDGE_PX = 1.5  # a region this near to the picture's edge, in the net's pixels, is cut off
MOST_OUTSIDE = 0.04
"""Share of a mouth's width that may seem to lie beyond the picture's edge: what was found may be the lip's outer edge,
and whether the rim itself is whole is told once that is known."""


@dataclass(frozen=True)
class Mouth:
    """A vessel's mouth: its ellipse in working pixels, whether it is lit and whether the picture cuts it off."""

    ellipse: Ellipse
    lit: bool
    cut_off: bool
    outside: float  # share of its width that lies beyond the picture's edge
    sure: float  # mean probability inside
    off_centre: float  # distance of its centre from the picture's, over half the diagonal


def find_mouths(rgb: Rgb) -> list[Mouth]:
    """All mouths in the photo (h, w, 3), largest first."""
    maps, to_working = _far_maps(rgb)
    mouth, flame = maps
    labels, areas = regions(mouth > SURE, connectivity=4)
    large = [k for k in np.argsort(-areas) if areas[k] >= LEAST_SHARE * mouth.size]
    single = (part for k in large for part in _apart((labels == k).astype(np.uint8)))
    found = (_as_mouth(region, mouth, flame, to_working, rgb.shape) for region in single)
    return [m for m in found if m is not None and m.sure >= LEAST_SURE]


def candles(mouths: list[Mouth]) -> list[Mouth]:
    """Those of the mouths that are likely candles'; the most central first. A doubtful one in which something glows is
    one only where there is no other whole one: it may be a glint in a spoon."""
    likely = [m for m in mouths if m.sure >= CANDLE_SURE]
    if all(m.cut_off for m in likely):
        likely = [m for m in mouths if m.sure >= CANDLE_SURE or m.lit] or mouths
    largest = max((m.ellipse.a for m in likely), default=0.0)
    return sorted((m for m in likely if m.ellipse.a > CANDLE_SIZE * largest), key=lambda m: m.off_centre)


def choose_mouth(mouths: list[Mouth]) -> tuple[Mouth, tuple[str, ...]]:
    """The candle that is meant: the lit one, else the most central whole one; a flag where there were several.

    Raises Declined where there is none, or where the one that is meant is cut off.
    """
    likely = candles(mouths)
    if not likely:
        raise Declined("no-vessel")
    lit = [m for m in likely if m.lit]
    whole = [m for m in likely if not m.cut_off]
    pick = (lit or whole or likely)[0]
    if pick.outside > MOST_OUTSIDE:
        raise Declined("rim-cut-off")
    return pick, ("several-candles",) if len(likely) > 1 else ()


def _far_maps(rgb: Rgb) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Mouth and flame maps (2, 288, 384) and the (2, 3) matrix from their pixels to working pixels.

    The net sees landscape pictures; a tall photo is shown to it turned, and any other shape is padded.
    """
    h, w = rgb.shape[:2]
    th, tw = (w, h) if h > w else (h, w)
    scale = max(tw / networks.FAR_PX[0], th / networks.FAR_PX[1])
    size = (min(round(tw / scale), networks.FAR_PX[0]), min(round(th / scale), networks.FAR_PX[1]))
    small = shrunk_to(rgb, size[::-1] if h > w else size)
    small = np.asarray(cv2.rotate(small, cv2.ROTATE_90_CLOCKWISE), np.uint8) if h > w else small
    padded = cv2.copyMakeBorder(
        small, 0, networks.FAR_PX[1] - size[1], 0, networks.FAR_PX[0] - size[0], cv2.BORDER_REPLICATE
    )
    maps = networks.run("far", np.asarray(padded, np.uint8))
    full = maps[:, : size[1], : size[0]]
    sx, sy = tw / size[0], th / size[1]
    to_turned = np.array([[sx, 0, (sx - 1) / 2], [0, sy, (sy - 1) / 2]])
    if h > w:  # x = y', y = h - 1 - x'
        return full, np.array([to_turned[1], [-to_turned[0, 0], 0, h - 1 - to_turned[0, 2]]])
    return full, to_turned


def _apart(region: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    """The region, or where mouths touch the parts that it falls into when its neck is worn away."""
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(contours, key=len)
    if cv2.contourArea(outline) > SOLID * cv2.contourArea(cv2.convexHull(outline)):
        return [region]
    inward = cv2.distanceTransform(region, cv2.DIST_L2, 5)
    for share in WORN:
        reach = share * float(inward.max())
        labels, areas = regions(inward > reach, connectivity=4)
        if len(areas) > 2:
            disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * round(reach) + 1,) * 2)
            worn = [cv2.dilate((labels == k).astype(np.uint8), disc) for k in range(1, len(areas))]
            return [np.asarray(cv2.bitwise_and(part, region), np.uint8) for part in worn]
    return [region]


def _as_mouth(
    region: NDArray[np.uint8],
    mouth: NDArray[np.float32],
    flame: NDArray[np.float32],
    to_working: NDArray[np.float64],
    shape: tuple[int, ...],
) -> Mouth | None:
    contours, _ = cv2.findContours(region, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = cv2.convexHull(max(contours, key=len))
    if len(outline) < 6:
        return None
    (cx, cy), (d1, d2), angle = cv2.fitEllipseDirect(outline.astype(np.float32))
    if not 0 < min(d1, d2) <= max(d1, d2) < 2 * max(region.shape):
        return None
    filled = cv2.ellipse(np.zeros_like(region), ((cx, cy), (d1, d2), angle), 1, -1)
    hull = cv2.fillConvexPoly(np.zeros_like(region), outline, 1)
    both, either = cv2.bitwise_and(filled, hull), cv2.bitwise_or(filled, hull)
    if np.count_nonzero(both) < LEAST_OVAL * np.count_nonzero(either):
        return None
    x, y, w, h = cv2.boundingRect(region)
    height, width = region.shape
    cut_off = min(x, y, width - x - w, height - y - h) < EDGE_PX
    # half a pixel outward: findContours walks on pixel centres inside the region
    local = Ellipse(cx, cy, max(d1, d2) / 2 + 0.5, min(d1, d2) / 2 + 0.5, np.radians(angle + (0 if d1 >= d2 else 90)))
    ellipse = _mapped(local, to_working)
    away = float(np.hypot(ellipse.cx - (shape[1] - 1) / 2, ellipse.cy - (shape[0] - 1) / 2))
    lit = float((flame * filled).max()) > SURE
    sure = float(mouth[filled > 0].mean())
    return Mouth(ellipse, lit, cut_off, outside(ellipse, shape), sure, away / (np.hypot(shape[0], shape[1]) / 2))


def outside(ellipse: Ellipse, shape: tuple[int, ...]) -> float:
    """The largest share of an ellipse's width or height that lies beyond one edge of a picture (h, w, ...)."""
    points = ellipse.points(180)
    low, high = points.min(0), points.max(0)
    beyond = np.maximum(-0.5 - low, high - (np.array(shape[1::-1]) - 0.5))
    return float(np.max(np.maximum(beyond, 0.0) / (high - low)))


def _mapped(ellipse: Ellipse, matrix: NDArray[np.float64]) -> Ellipse:
    """The ellipse under an affine map (2, 3)."""
    inverse = np.linalg.inv(np.vstack([matrix, [0, 0, 1]]))
    return Ellipse.from_conic(inverse.T @ ellipse.conic() @ inverse)
