"""The small trained networks, run by OpenCV's DNN module on one thread's own copy.

They only propose: all geometry, in millimetres, is computed from their answers by the modules that ask them.
"""

from __future__ import annotations

import threading
from importlib import resources
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

SQUARES = 2  # each position of a picture net's last layer answers for so many pixels across

_own = threading.local()  # an OpenCV net must not be run from two threads at once


def net(package: str, name: str) -> Any:
    """The network `name` among the weights of this package."""
    nets: dict[tuple[str, str], Any] = _own.__dict__.setdefault("nets", {})
    if (package, name) not in nets:
        # The classic engine runs these nets in 0.6 of the time of the new one; read from memory instead of a file,
        # the choice of engine is ignored (OpenCV 5.0.0).
        with resources.as_file(resources.files(package) / "weights" / f"{name}.onnx") as path:
            nets[package, name] = cv2.dnn.readNetFromONNX(str(path), cv2.dnn.ENGINE_CLASSIC)
    return nets[package, name]


def answer(package: str, name: str, values: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the network makes of (channels, h, w) numbers."""
    asked = net(package, name)
    asked.setInput(values[None])
    return np.asarray(asked.forward()[0], np.float32)


def maps(package: str, name: str, rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Maps (channels, h / 2, w / 2) of a network for a picture (h, w, 3)."""
    asked = net(package, name)
    asked.setInput(cv2.dnn.blobFromImage(rgb, 1 / 255.0))
    squares = np.asarray(asked.forward()[0], np.float32)
    h, w = squares.shape[1:]
    squares = squares.reshape(-1, SQUARES, SQUARES, h, w)
    laid_out = np.empty((len(squares), h, SQUARES, w, SQUARES), np.float32)
    for row, column in np.ndindex(SQUARES, SQUARES):  # NumPy takes twice as long to copy a transposed array
        laid_out[:, :, row, :, column] = squares[:, row, column]
    return laid_out.reshape(-1, h * SQUARES, w * SQUARES)
