"""Connected regions of a map."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def regions(mask: NDArray[np.bool_], connectivity: int = 8) -> tuple[NDArray[np.int32], NDArray[np.intp]]:
    """Number of the region (h, w) that each pixel belongs to, 0 outside of all; and the area in pixels of each region,
    0 for what is outside."""
    labels = np.zeros(mask.shape, np.int32)
    x, y, w, h = cv2.boundingRect(mask.view(np.uint8))
    if not w:
        return labels, np.zeros(1, np.intp)
    box = slice(y, y + h), slice(x, x + w)
    # OpenCV's own count of the areas takes three times as long as all this
    count, found = cv2.connectedComponents(mask[box].view(np.uint8), connectivity=connectivity)
    areas = np.bincount(found.ravel(), minlength=count)
    labels[box], areas[0] = found, 0
    return labels, areas
