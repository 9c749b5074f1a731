"""The wick: where it leaves the wax, how it leans, whether it burns, and the ball of carbon on it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics import polygon
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import VesselFrame
from pooleye.top.closeup import Closeup
from pooleye.top.regions import regions
from pooleye.top.stub import Stub, find_stub

Array = NDArray[np.float64]

SEEN = 0.30  # height of the net's spot from which a wick's foot counts
SECOND = 0.7  # a further foot needs this share of the first one's height
APART = 0.33  # rim radii between the feet of two wicks; nearer spots are one wick and its mirror image in the pool
FLAME_AREA, LEAST_FLAME_AREA = 0.0006, 0.0001
"""Of the mouth; a smaller bright spot beside a flame is a glint of it. Alone it is a flame: in none of 73 pictures of
candles that do not burn does the net see one, and in 13 of 370 with a flame, straight above it, one so small."""
MOST = 6
BALL_SURE = 0.55
STUB_MM = 7.0  # the ball sits about this far above the wax (wicks are trimmed to 6 mm: common practice)
NO_BALL_MM = 1.0


@dataclass(frozen=True, eq=False)
class Wick:
    """A wick's foot in working pixels and in the wax plane; `sure` is the height of the net's spot, 0 to 1; `stub` is
    the wick itself where no flame covers it."""

    foot_px: Array
    foot_mm: Array
    sure: float
    stub: Stub | None = None


def find_wicks(close: Closeup, rim: Ellipse, frame: VesselFrame, depth_mm: float) -> list[Wick]:
    """Feet of all wicks, the surest first, in the plane `depth_mm` below the rim circle."""
    spots = np.asarray(cv2.GaussianBlur(close.wick, (0, 0), 1.5), np.float32)
    reach = int(APART * close.px_per_radius)
    wicks: list[Wick] = []
    left = spots * close.inside(rim)
    for _, mirrored, mask in close.bright_spots:
        if mirrored and count_flames(close) > 0:  # a wick seen in the mirror image of a flame is one too
            left[mask] = 0.0
    # over a burning candle a spot without a flame of its own is most often a mirror image, not a wick gone out
    most = count_flames(close) or MOST
    while len(wicks) < most:
        y, x = np.unravel_index(int(np.argmax(left)), left.shape)
        height = float(left[y, x])
        if height < SEEN or (wicks and height < SECOND * wicks[0].sure):
            break
        wicks.append(_wick(close, spots, (int(x), int(y)), height, frame, depth_mm))
        cv2.circle(left, (int(x), int(y)), reach, 0.0, -1)
    return wicks


def with_stubs(wicks: list[Wick], rgb: NDArray[np.uint8], frame: VesselFrame, depth_mm: float) -> list[Wick]:
    """The same wicks as the picture shows them without a flame: their feet where they meet the wax, and their lean."""
    stubs = [find_stub(rgb, wick.foot_px, frame, depth_mm) for wick in wicks]
    return [
        Wick(stub.foot_px, frame.to_plane(stub.foot_px, depth_mm)[0], wick.sure, stub)
        for wick, stub in zip(wicks, stubs, strict=True)
    ]


def count_flames(close: Closeup) -> int:
    """Separate flames; the mirror image of one in the pool is not one more."""
    mouth = np.pi * close.px_per_radius**2
    areas = [area for area, mirrored, _ in close.bright_spots if not mirrored]
    large = sum(area >= FLAME_AREA * mouth for area in areas)
    return large or int(max(areas, default=0) >= LEAST_FLAME_AREA * mouth)


def ball_diameter_mm(close: Closeup, frame: VesselFrame, depth_mm: float) -> float | None:
    """Diameter of the disc of the same area as the carbon ball seen, at the height of the wick's tip; 0 for none, and
    None under a flame: it hides the wick's tip, and of what the net sees beside it two in three were no ball."""
    if count_flames(close) > 0:
        return None
    labels, areas = regions(close.ball > BALL_SURE)
    if not areas.any():
        return 0.0
    ball = (labels == int(np.argmax(areas))).astype(np.uint8)
    area_px = float(close.ball[cv2.dilate(ball, np.ones((5, 5), np.uint8)) > 0].sum())
    moments = cv2.moments(ball, binaryImage=True)
    centre = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
    corners = centre + np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    mm = frame.to_plane(close.to_photo(corners), max(depth_mm - STUB_MM, 0.0))
    diameter = 2 * float(np.sqrt(area_px * polygon.area(mm) / np.pi))
    return diameter if diameter >= NO_BALL_MM else 0.0


def _wick(
    close: Closeup,
    spots: NDArray[np.float32],
    peak: tuple[int, int],
    height: float,
    frame: VesselFrame,
    depth_mm: float,
) -> Wick:
    x, y = peak
    r = 7
    x0, y0 = max(x - r, 0), max(y - r, 0)
    part = spots[y0 : y + r + 1, x0 : x + r + 1].astype(float)
    weight = np.maximum(part - 0.5 * height, 0.0)
    gy, gx = np.mgrid[y0 : y0 + part.shape[0], x0 : x0 + part.shape[1]]
    at = np.array([(gx * weight).sum(), (gy * weight).sum()]) / weight.sum()
    px = close.to_photo(at)
    mm = frame.to_plane(px, depth_mm)[0]
    return Wick(px[0], mm, min(height, 1.0))
