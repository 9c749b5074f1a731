"""A vessel's outline as lines in the picture, and the picture's edges that they are laid on.

Edges are rated by direction and against their surroundings, not by contrast, so that clear glass before a dull wall
counts as much as a black tin on paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from cv2.typing import MatLike
from numpy.typing import NDArray

from pooleye.photo import RgbImage
from pooleye.side.pose import Poses

Array = NDArray[np.float64]
Image = NDArray[np.float32]

SMOOTH_PX = 1.0
NOISE_CODES = 3.0  # a gradient of so many sRGB codes per pixel counts half
WALL_SHARES = np.linspace(0.1, 0.9, 14)
ORDINARY_LIP = 0.5  # strength of a front lip that is seen
ARC_SHARES = np.linspace(-0.92, 0.92, 16)


@dataclass(frozen=True, eq=False)
class Edges:
    """Gradient divided by (its size + NOISE_CODES), (height, width, 2), x and y parts: a direction times a strength
    from 0 to 1."""

    field: Image

    @classmethod
    def of(cls, rgb: RgbImage) -> Edges:
        """Edges of the strongest colour channel at each pixel."""
        soft = np.asarray(cv2.GaussianBlur(rgb, (0, 0), SMOOTH_PX), dtype=np.uint8)
        gx, gy = _strongest_gradient(soft)
        size = np.asarray(cv2.magnitude(gx, gy)) + np.float32(8 * NOISE_CODES)  # Sobel's weights add up to 8
        return cls(np.asarray(cv2.merge([gx / size, gy / size]), dtype=np.float32))

    def along(self, points_px: Image, normals_px: Image) -> Image:
        """Strength (0 to 1) of an edge across these normals (..., 2) at these points; 0 outside the picture."""
        across = _sampled(self.field, points_px, 0.0)
        return np.abs(across[..., 0] * normals_px[..., 0] + across[..., 1] * normals_px[..., 1])


def _strongest_gradient(rgb: RgbImage) -> tuple[Image, Image]:
    """Sobel gradients of the channel that changes most, by pixel."""
    best_x, best_y = (np.asarray(part) for part in cv2.spatialGradient(np.ascontiguousarray(rgb[..., 0])))
    best = _taxicab(best_x, best_y)
    for channel in (1, 2):
        along_x, along_y = cv2.spatialGradient(np.ascontiguousarray(rgb[..., channel]))
        size = _taxicab(along_x, along_y)
        better = cv2.compare(size, best, cv2.CMP_GT)
        for target, source in ((best_x, along_x), (best_y, along_y), (best, size)):
            cv2.copyTo(source, better, target)
    return best_x.astype(np.float32), best_y.astype(np.float32)


def _taxicab(x: MatLike, y: MatLike) -> NDArray[np.uint8]:
    """A quarter of the sum of both sizes, which is all that comparing takes."""
    return np.asarray(cv2.add(cv2.convertScaleAbs(x, alpha=0.25), cv2.convertScaleAbs(y, alpha=0.25)), dtype=np.uint8)


def sampled(field: Image, points_px: Array, outside: float = 0.0) -> Array:
    """Values of a picture at points (..., 2), bilinear; `outside` where it ends."""
    return _sampled(field, points_px, outside).astype(np.float64)


def _sampled(field: Image, points_px: NDArray[Any], outside: float) -> Image:
    flat = points_px.reshape(-1, 2)
    width = 8192  # cv2.remap takes no more than 32767 columns
    grid = np.full((-(-len(flat) // width) * width, 2), -10, np.float32)
    grid[: len(flat)] = flat
    x, y = grid.reshape(-1, width, 2)[..., 0], grid.reshape(-1, width, 2)[..., 1]
    values = np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=outside))
    shape = points_px.shape[:-1] + field.shape[2:]
    return np.asarray(values.reshape(-1, *field.shape[2:])[: len(flat)].reshape(shape), dtype=np.float32)


def normals_px(lines_px: Array) -> Array:
    """Unit normals (N, M, 2) of polylines (N, M, 2)."""
    along = np.empty_like(lines_px)
    along[:, 1:-1] = lines_px[:, 2:] - lines_px[:, :-2]
    along[:, 0], along[:, -1] = lines_px[:, 1] - lines_px[:, 0], lines_px[:, -1] - lines_px[:, -2]
    length = np.maximum(np.hypot(along[..., 0], along[..., 1]), 1e-9)
    return np.stack([-along[..., 1] / length, along[..., 0] / length], axis=-1)


LINES = ("left", "right", "base", "rim-top", "rim-inside")


def outline_mm(poses: Poses) -> tuple[Array, list[slice]]:
    """Points (N, M, 3) of the five LINES of the outline in the camera's frame, and which of them belong to each line.

    The lines are both walls, the base, and the two halves of the rim: "rim-top" is the half that stands against the
    background: the farther one as long as the lens is above the rim; "rim-inside" is the other: the front lip seen
    from above, or, from below, what only clear glass shows.
    """
    edge = poses.outline_azimuth()[:, None]
    height = poses.frustum.height_mm
    arc, wall = ARC_SHARES, WALL_SHARES
    near, far = arc * edge, np.pi - arc * (np.pi - edge)
    above = poses.lens_above_mm(height)[:, None] > 0
    up = np.broadcast_to(wall * height, near.shape[:1] + wall.shape)
    rim = np.full_like(near, height)
    foot = np.broadcast_to(poses.foot_line_mm()[:, None], near.shape)
    sides = [np.broadcast_to(side * edge, up.shape) for side in (-1.0, 1.0)]
    azimuths = np.concatenate([*sides, near, np.where(above, far, near), np.where(above, near, far)], axis=1)
    heights = np.concatenate([up, up, foot, rim, rim], axis=1)
    ends = np.cumsum([len(wall), len(wall), len(arc), len(arc), len(arc)]).tolist()
    parts = [slice(start, end) for start, end in zip([0, *ends], ends, strict=False)]
    return poses.points_mm(azimuths, heights, poses.frustum.radius_mm(heights)), parts


def outline_lines(poses: Poses) -> dict[str, Array]:
    """The five lines of the outline in the picture, each (N, M, 2); see `outline_mm`."""
    points, parts = outline_mm(poses)
    seen = poses.seen_px(points)
    return {name: seen[:, part] for name, part in zip(LINES, parts, strict=True)}


def outline_normals_px(seen_px: Array, parts: list[slice]) -> Array:
    """Unit normals (N, M, 2) of the outline's lines, each a polyline of its own."""
    return np.concatenate([normals_px(seen_px[:, part]) for part in parts], axis=1)


def combined(part: Mapping[str, Array], poses: Poses) -> Array:
    """Edge strengths of the five lines in one number: the weaker wall counts most, the rim's inner half least.

    From above the front lip must show; from below, that half tells nothing and counts as an ordinary one.
    """
    walls = np.minimum(part["left"], part["right"]) + 0.3 * np.maximum(part["left"], part["right"])
    above = poses.lens_above_mm(poses.frustum.height_mm) > 0
    inside = np.where(above, part["rim-inside"], ORDINARY_LIP)
    return np.asarray(walls + part["base"] + part["rim-top"] + 0.2 * inside)
