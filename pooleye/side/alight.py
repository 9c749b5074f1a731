"""Where in a whole side picture flames may burn, before anything is known of the vessel.

A flame is an upright patch as bright as the picture can show, with a yellow edge (see `flame.py`). A vessel that is
looked for around one is found where clear glass has weak edges and other things on the table have strong ones.
"""

from __future__ import annotations

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from pooleye.photo import RgbImage

Array = NDArray[np.float64]

SHINES_CODE, GREEN_CODE = 248, 225  # red and green, at least
WARM_CODES = 12  # red over blue beside the patch
LOOK_PX = 720  # long side of the picture looked at; nearest pixels, since means would dim a thin flame
LEAST_PX = (7, 3)  # height, width
UPRIGHT = 1.4
WIDEST_SHARES = (0.1, 0.06, 0.035)  # of the picture's long side, tried in turn
SAME_PX = 5.0
MOST = 3


def flame_places(rgb: RgbImage) -> Array:
    """Middles (N, 2) in pixels of patches that may be flames, largest first; MOST at most."""
    factor = min(LOOK_PX / max(rgb.shape[:2]), 1.0)
    rgb = np.asarray(cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_NEAREST), dtype=np.uint8)
    bright = cv2.inRange(rgb, np.array([SHINES_CODE, GREEN_CODE, 0]), np.array([255, 255, 255]))
    bright = cv2.morphologyEx(bright, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))  # noise leaves holes
    found: list[tuple[int, Array]] = []
    for share in WIDEST_SHARES:
        for area, middle in _flames_of_width(rgb, bright, round(share * max(rgb.shape[:2]))):
            if all(abs(middle[0] - other[0]) > SAME_PX for _, other in found):
                found.append((area, middle))
    found.sort(key=lambda one: -one[0])
    middles_px = np.array([middle for _, middle in found[:MOST]], dtype=np.float64).reshape(-1, 2)
    return np.asarray((middles_px + 0.5) / factor - 0.5)


def _flames_of_width(rgb: RgbImage, bright: MatLike, widest_px: int) -> list[tuple[int, Array]]:
    """Area and middle of the upright warm patches that are left without whatever is wider: lit wax that a flame stands
    before, windows, lamps."""
    narrow = cv2.subtract(bright, cv2.morphologyEx(bright, cv2.MORPH_OPEN, np.ones((1, widest_px), np.uint8)))
    count, _, boxes, middles = cv2.connectedComponentsWithStats(narrow, connectivity=8)
    found = []
    for patch in range(1, count):
        x, y, width, height, area = (int(number) for number in boxes[patch])
        stands = height >= max(UPRIGHT * width, LEAST_PX[0]) and width >= LEAST_PX[1]
        if stands and width <= widest_px and _is_warm(rgb, x, y, width, height):
            found.append((area, middles[patch]))
    return found


def _is_warm(rgb: RgbImage, x: int, y: int, width: int, height: int) -> bool:
    rows = slice(y + height // 4, y + max(height - height // 4, height // 4 + 1))
    around = rgb[rows, max(x - 4, 0) : x + width + 4].astype(np.int16)
    redness = around[..., 0] - around[..., 2]
    return bool(np.median(redness.max(axis=1)) >= WARM_CODES)
