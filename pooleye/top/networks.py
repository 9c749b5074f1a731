"""The small networks that look at a photo from above, run by OpenCV's DNN module.

`far` finds mouths and flames in the whole photo; `near` says, pixel by pixel of a square around one mouth, what is
where. They only propose: all geometry, in millimetres, is computed from their maps by the modules beside this one.
`wall` reads soot off the unwrapped inner wall. Trained on path-traced pictures by `sample_images/studio/train.py`.
"""

from __future__ import annotations

import threading
from importlib import resources
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Maps = NDArray[np.float32]

FAR_PX = (384, 288)
NEAR_PX = 320
MARGIN = 1.3  # the square around a mouth reaches this many rim radii from its centre

_own = threading.local()  # an OpenCV net must not be run from two threads at once


def _net(name: str) -> Any:
    nets: dict[str, Any] = _own.__dict__.setdefault("nets", {})
    if name not in nets:
        # The classic engine runs these two nets in 0.6 of the time of the new one; read from memory instead of a file,
        # the choice of engine is ignored (OpenCV 5.0.0).
        with resources.as_file(resources.files("pooleye.top") / "weights" / f"{name}.onnx") as path:
            nets[name] = cv2.dnn.readNetFromONNX(str(path), cv2.dnn.ENGINE_CLASSIC)
    return nets[name]


def run_on(name: str, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the net makes of (channels, h, w) numbers that are no picture."""
    net = _net(name)
    net.setInput(values[None])
    return np.asarray(net.forward()[0], np.float32)


def run(name: str, rgb: NDArray[np.uint8]) -> Maps:
    """Maps (channels, h, w) of the net `far` or `near` for a picture (h, w, 3) of its own size."""
    net = _net(name)
    net.setInput(cv2.dnn.blobFromImage(rgb, 1 / 255.0))
    return np.asarray(net.forward()[0], np.float32)
