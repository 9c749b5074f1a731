"""The picture laid straight onto the upright plane through the vessel's axis that faces the lens.

In it roll and perspective are gone: columns are millimetres right of the axis, rows millimetres above the underside.
The flame stands (nearly) in this plane, so its lengths are read from it directly. The map is the plane's homography
(Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section 8.1).
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.photo import RgbImage
from pooleye.side.pose import SidePose

Array = NDArray[np.float64]


FINEST_MM = 0.17  # a fortieth of a flame's width; finer shows nothing more


@dataclass(frozen=True, eq=False)
class FacingView:
    """`rgb` has its first row at height `top_mm` and its first column at `left_mm`; `inside` is false where the photo
    shows nothing. `to_photo` is the 3x3 map from (x mm, height mm, 1) to homogeneous working pixels."""

    rgb: RgbImage
    inside: NDArray[np.bool_]
    left_mm: float
    top_mm: float
    mm_per_px: float
    to_photo: Array

    @classmethod
    def of(
        cls,
        rgb: RgbImage,
        pose: SidePose,
        half_width_mm: float,
        low_mm: float,
        high_mm: float,
    ) -> FacingView:
        """The strip of the plane within `half_width_mm` of the axis, between two heights, as fine as the photo or
        FINEST_MM."""
        to_photo = plane_map(pose)
        step = max(_mm_per_px(to_photo, pose.frustum.height_mm), FINEST_MM)
        columns, rows = int(2 * half_width_mm / step) + 1, int((high_mm - low_mm) / step) + 1
        to_plane = np.array([[step, 0.0, -half_width_mm], [0.0, -step, high_mm], [0.0, 0.0, 1.0]])
        grid = to_photo @ to_plane
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        picture = cv2.warpPerspective(rgb, grid, (columns, rows), flags=flags, borderMode=cv2.BORDER_REPLICATE)
        inside = _inside(rgb.shape, grid, (columns, rows))
        return cls(np.asarray(picture, dtype=np.uint8), inside, -half_width_mm, high_mm, step, to_photo)

    def to_mm(self, columns: ArrayLike, rows: ArrayLike) -> tuple[Array, Array]:
        """Millimetres right of the axis and heights of pixels of this view."""
        x = self.left_mm + np.asarray(columns, dtype=float) * self.mm_per_px
        return x, self.top_mm - np.asarray(rows, dtype=float) * self.mm_per_px

    def row_of(self, height_mm: float) -> int:
        """The row nearest to this height, within the picture."""
        return int(np.clip(round((self.top_mm - height_mm) / self.mm_per_px), 0, self.rgb.shape[0] - 1))

    def photo_px(self, x_mm: ArrayLike, height_mm: ArrayLike) -> Array:
        """Working pixels (M, 2) of points of the plane."""
        x, height = np.broadcast_arrays(np.atleast_1d(np.asarray(x_mm, float)), np.asarray(height_mm, float))
        seen = np.column_stack([x, height, np.ones(len(x))]) @ self.to_photo.T
        return np.asarray(seen[:, :2] / seen[:, 2:])


def _inside(photo_shape: tuple[int, ...], grid: Array, size: tuple[int, int]) -> NDArray[np.bool_]:
    """Where a view of this (width, height), laid over the photo by `grid`, shows the photo."""
    height, width = photo_shape[:2]
    corners = np.array([[x, y, 1.0] for x, y in ((0, 0), (width - 1, 0), (width - 1, height - 1), (0, height - 1))])
    seen = corners @ np.linalg.inv(grid).T
    outline = np.clip(seen[:, :2] / seen[:, 2:], -20_000, 20_000)
    mask = np.zeros(size[::-1], np.uint8)
    cv2.fillConvexPoly(mask, np.round(outline).astype(np.int32), 1)
    return mask.view(np.bool_)


def plane_map(pose: SidePose, towards_lens_mm: float = 0.0) -> Array:
    """3x3 map from (x mm, height mm, 1) of the facing plane to homogeneous working pixels."""
    middle, axis, near, right = (part[0] for part in pose.poses.frames())
    origin = middle - pose.frustum.height_mm / 2 * axis + towards_lens_mm * near
    return np.asarray(pose.camera.matrix() @ np.stack([right, axis, origin], axis=1))


def _mm_per_px(to_photo: Array, height_mm: float) -> float:
    points = np.array([[0.0, height_mm - 0.5, 1.0], [0.0, height_mm + 0.5, 1.0]]) @ to_photo.T
    pixels = points[:, :2] / points[:, 2:]
    return float(1.0 / np.linalg.norm(pixels[1] - pixels[0]))
