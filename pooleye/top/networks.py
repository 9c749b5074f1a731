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


def run_on(name: str, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the net makes of (channels, h, w) numbers that are no picture."""
    return nets.answer("pooleye.top", name, values)


def run(name: str, rgb: NDArray[np.uint8]) -> Maps:
    """Probabilities (channels, h, w) for a picture (h, w, 3)."""
    logits = nets.maps("pooleye.top", name, rgb)
    sure = 1 / (1 + np.asarray(cv2.exp(-logits.reshape(len(logits), -1)), np.float32)).reshape(logits.shape)
    return np.stack([np.asarray(cv2.resize(one, rgb.shape[1::-1]), np.float32) for one in sure])
