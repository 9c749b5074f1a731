"""The small networks that look at a photo from above, run by OpenCV's DNN module.

`far` finds mouths and flames in the whole photo; `near` says, pixel by pixel of a square around one mouth, what is
where. They only propose: all geometry, in millimetres, is computed from their maps by the modules beside this one.
`wall` reads soot off the unwrapped inner wall. Trained on path-traced pictures by `sample_images/studio/train.py`.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye import nets

Maps = NDArray[np.float32]

FAR_PX = (384, 288)
NEAR_PX = 320
MARGIN = 1.3  # the square around a mouth reaches this many rim radii from its centre
SQUARES = {"far": 1, "near": 2}  # each position of the last layer answers for so many pixels across


def run_on(name: str, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the net makes of (channels, h, w) numbers that are no picture."""
    return nets.answer("pooleye.top", name, values)


def run(name: str, rgb: NDArray[np.uint8], count: int | None = None) -> Maps:
    """Probabilities (channels, rows, columns), the first `count` of them, for a picture (h, w, 3): of its own size by
    `near`, of half of it by `far`."""
    across = SQUARES[name]
    logits = nets.maps("pooleye.top", name, rgb)[: count and count * across**2]
    channels, h, w = logits.shape
    sure = 1 / (1 + np.asarray(cv2.exp(-logits.reshape(channels, -1)), np.float32))
    sure = sure.reshape(-1, across, across, h, w)
    laid_out = np.empty((len(sure), h, across, w, across), np.float32)
    for row, column in np.ndindex(across, across):  # NumPy takes twice as long to copy a transposed array
        laid_out[:, :, row, :, column] = sure[:, row, column]
    return laid_out.reshape(-1, h * across, w * across)
