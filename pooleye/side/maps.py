"""What the network `side` sees in a whole photo from the side: the vessel meant, its mouth, flames, wax behind glass.

It only proposes where things are, to a pixel of a small copy; the outline and the flame are then measured in the
picture itself. Trained on path-traced pictures by `sample_images/studio/train_side.py`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye import nets
from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage

Array = NDArray[np.float64]
Map = NDArray[np.float32]

LONG_PX = 384  # longer side of the copy that the network looks at
WHOLE_PX = 32  # its sides are whole multiples of this


@dataclass(frozen=True, eq=False)
class Maps:
    """Logits (h, w), above 0 for yes, of a part of the photo that begins at the working pixel `corner`; `scale`: pixels
    of the maps per working pixel, edges at edges; `wider`: those of the whole photo, where this is a part."""

    vessel: Map
    mouth: Map
    flame: Map
    wax: Map
    scale: float
    corner: tuple[int, int] = (0, 0)
    wider: Maps | None = None

    @property
    def with_flame(self) -> Maps:
        """These maps, or the wider ones where only those show a flame."""
        lost = self.flame.max() <= 0 and self.wider is not None and self.wider.flame.max() > 0
        return self.wider if lost and self.wider is not None else self

    @classmethod
    def of(cls, rgb: RgbImage, part: tuple[slice, slice] = (slice(None), slice(None))) -> Maps:
        """What the network sees in these rows and columns of the photo."""
        shown = rgb[part]
        height, width = shown.shape[:2]
        factor = LONG_PX / max(height, width)
        small = _shrunk(shown, (round(width * factor), round(height * factor)))
        below, beside = (-side % WHOLE_PX for side in small.shape[:2])
        padded = cv2.copyMakeBorder(small, 0, below, 0, beside, cv2.BORDER_REPLICATE)
        found = nets.maps("pooleye.side", "side", np.asarray(padded, np.uint8))
        rows, columns = (-(-side // 2) for side in small.shape[:2])
        vessel, mouth, flame, wax = found[:, :rows, :columns]
        return cls(vessel, mouth, flame, wax, factor / 2, (part[1].start or 0, part[0].start or 0))

    def camera(self, camera: Camera) -> Camera:
        """The camera of the working picture as that of the maps."""
        x, y = self.corner
        return replace(camera, cx_px=camera.cx_px - x, cy_px=camera.cy_px - y).scaled(self.scale)

    def to_map(self) -> Array:
        """3x3, from homogeneous working pixels to the maps'."""
        (x, y), s = self.corner, self.scale
        return np.array([[s, 0.0, s * (0.5 - x) - 0.5], [0.0, s, s * (0.5 - y) - 0.5], [0.0, 0.0, 1.0]])


def _shrunk(rgb: RgbImage, size: tuple[int, int]) -> RgbImage:
    """By whole steps as far as they go, which is quick, then to size."""
    step = max(int(min(rgb.shape[1] / size[0], rgb.shape[0] / size[1])), 1)
    if step > 1:
        whole = (rgb.shape[1] // step, rgb.shape[0] // step)
        rgb = np.asarray(cv2.resize(rgb[: whole[1] * step, : whole[0] * step], whole, interpolation=cv2.INTER_AREA))
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_LINEAR), dtype=np.uint8)
