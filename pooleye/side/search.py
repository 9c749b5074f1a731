"""Where in a side picture a vessel of known shape stands, roughly: edges, wall pairs, then whole outlines.

Works on a small copy of the picture (long side SEARCH_PX). First every pair of straight edges that could be the two
walls is rated, together with the edges where rim and base would be (sums along lines, as in the Hough transform, by
cumulative sums in turned copies of the edge picture); then the whole outline of the best pairs is laid over the edges
for several tilts of the camera. Edges are rated by direction and against their surroundings, not by contrast, so that
clear glass before a dull wall counts as much as a black tin on paper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.pose import Frustum, Poses

Array = NDArray[np.float64]
Image = NDArray[np.float32]

SEARCH_PX = 320
NOISE_CODES = 3.0  # a gradient of so many sRGB codes per pixel counts half
WIDTH_SHARE = (0.075, 0.85)  # of the picture's width that the vessel may take
SCALE_STEP = 1.045
ROLLS_DEG = np.arange(-9.0, 9.1, 1.5)
TILTS_DEG = (-4.0, 0.0, 4.0, 8.0, 13.0, 19.0)
SHIFTS_PX = np.arange(-9.0, 9.1, 3.0)
PER_PAIR_SCALE = 24  # wall pairs kept for each scale and roll
PAIRS = 160  # of them looked at more closely
WALL_SHARES = np.linspace(0.1, 0.9, 14)
ORDINARY_LIP = 0.5  # strength of a front lip that is seen
ARC_SHARES = np.linspace(-0.92, 0.92, 16)


@dataclass(frozen=True, eq=False)
class Edges:
    """Gradient divided by (its size + NOISE_CODES), x and y parts: a direction times a strength from 0 to 1."""

    x: Image
    y: Image

    @classmethod
    def of(cls, rgb: RgbImage, smooth_px: float = 0.8) -> Edges:
        """Edges of the strongest colour channel at each pixel."""
        soft = cv2.GaussianBlur(rgb, (0, 0), smooth_px) if smooth_px else rgb
        along_x = cv2.Sobel(soft, cv2.CV_16S, 1, 0, ksize=3)
        along_y = cv2.Sobel(soft, cv2.CV_16S, 0, 1, ksize=3)
        gx, gy = _strongest_channel(along_x, along_y)
        size = np.sqrt(gx * gx + gy * gy) + np.float32(8 * NOISE_CODES)
        return cls(gx / size, gy / size)

    def thinned(self) -> Edges:
        """Only what stands out from its surroundings: texture and broad slopes weaken."""
        size = np.sqrt(self.x**2 + self.y**2)
        around = cv2.blur(size, (11, 11))
        keep = np.maximum(1 - around / np.maximum(size, 1e-6), 0).astype(np.float32)
        return Edges(*(cv2.GaussianBlur(part * keep, (0, 0), 0.7).astype(np.float32) for part in (self.x, self.y)))


def _strongest_channel(gx: NDArray[np.int16], gy: NDArray[np.int16]) -> tuple[Image, Image]:
    x, y = gx.astype(np.float32), gy.astype(np.float32)
    size = x * x + y * y
    best_x, best_y, best = x[..., 0].copy(), y[..., 0].copy(), size[..., 0].copy()
    for channel in (1, 2):
        better = size[..., channel] > best
        for target, source in ((best_x, x), (best_y, y), (best, size)):
            np.copyto(target, source[..., channel], where=better)
    return best_x, best_y


def sampled(field: Image, points_px: Array) -> Array:
    """Values of a picture at points (..., 2), bilinear; 0 outside it."""
    flat = points_px.reshape(-1, 2).astype(np.float32)
    width = 8192  # cv2.remap takes no more than 32767 columns
    padded = np.full((-(-len(flat) // width) * width, 2), -10, np.float32)
    padded[: len(flat)] = flat
    grid = padded.reshape(-1, width, 2)
    values = cv2.remap(field, grid[..., 0], grid[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(values.ravel()[: len(flat)].reshape(points_px.shape[:-1]), dtype=np.float64)


def normals_px(lines_px: Array) -> Array:
    """Unit normals (N, M, 2) of polylines (N, M, 2)."""
    along = np.gradient(lines_px, axis=1)
    normal = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=-1, keepdims=True), 1e-9))


def outline_lines(poses: Poses) -> dict[str, Array]:
    """The five lines of the outline, each (N, M, 2): both walls, the base, and the two halves of the rim.

    "rim-top" is the half that stands against the background: the farther one as long as the lens is above the rim.
    "rim-inside" is the other: the front lip seen from above, or, from below, what only clear glass shows.
    """
    edge = poses.outline_azimuth()[:, None]
    height = poses.frustum.height_mm
    near, far = ARC_SHARES * edge, np.pi - ARC_SHARES * (np.pi - edge)
    above = poses.lens_above_mm(height)[:, None] > 0
    return {
        "left": poses.wall_px(-1, WALL_SHARES),
        "right": poses.wall_px(1, WALL_SHARES),
        "base": poses.circle_px(poses.foot_line_mm()[:, None], near),
        "rim-top": poses.circle_px(height, np.where(above, far, near)),
        "rim-inside": poses.circle_px(height, np.where(above, near, far)),
    }


def supports(edges: Edges, poses: Poses) -> dict[str, Array]:
    """How much edge (0 to 1) lies along each line of the outline; (N,) each."""
    found = {}
    for name, line in outline_lines(poses).items():
        normal = normals_px(line)
        across = sampled(edges.x, line) * normal[..., 0] + sampled(edges.y, line) * normal[..., 1]
        found[name] = np.abs(across).mean(axis=1)
    return found


def outline_score(edges: Edges, poses: Poses) -> Array:
    """One number per pose; see `combined`."""
    return combined(supports(edges, poses), poses)


def combined(part: Mapping[str, Array], poses: Poses) -> Array:
    """Edge strengths of the five lines in one number: the weaker wall counts most, the rim's inner half least.

    From above the front lip must show; from below, that half tells nothing and counts as an ordinary one.
    """
    walls = np.minimum(part["left"], part["right"]) + 0.3 * np.maximum(part["left"], part["right"])
    above = poses.lens_above_mm(poses.frustum.height_mm) > 0
    inside = np.where(above, part["rim-inside"], ORDINARY_LIP)
    return np.asarray(walls + part["base"] + part["rim-top"] + 0.2 * inside)


def rough_poses(rgb: RgbImage, frustum: Frustum, camera: Camera) -> tuple[Array, Array]:
    """Pose vectors (N, 5) for this picture, best first, and their scores; `camera` is that of this small picture."""
    edges = Edges.of(rgb)
    pairs = _wall_pairs(edges, frustum)
    if not len(pairs):
        return np.empty((0, 5)), np.empty(0)
    vectors = _with_tilts(_distinct(pairs), frustum, camera)
    scores = outline_score(edges.thinned(), Poses(frustum, camera, vectors))
    order = np.argsort(-scores)
    return vectors[order], scores[order]


def _wall_pairs(edges: Edges, frustum: Frustum) -> Array:
    """Rows (score, x, y, px per mm, roll) of possible pairs of walls, best first; x, y the middle of the vessel."""
    upright = _ridges(np.abs(edges.x), (9, 1))
    level = cv2.dilate(_ridges(np.abs(edges.y), (1, 9)), np.ones((5, 1), np.uint8))
    height, width = upright.shape
    smallest = WIDTH_SHARE[0] * max(height, width) / (2 * frustum.middle_radius_mm)
    scales = smallest * SCALE_STEP ** np.arange(80)
    scales = scales[scales * 2 * frustum.middle_radius_mm < WIDTH_SHARE[1] * width]
    found = []
    for roll in np.radians(ROLLS_DEG):
        turned = _Turned.by(roll, float(np.arctan(frustum.widening)), upright, level)
        found += [turned.best_pairs(frustum, float(scale)) for scale in scales]
    rows = np.concatenate(found) if found else np.empty((0, 5))
    return np.asarray(rows[np.argsort(-rows[:, 0])])


def _ridges(strength: Image, around: tuple[int, int]) -> Image:
    """What stands out from its neighbours across the edge."""
    return np.asarray(np.maximum(strength - cv2.blur(strength, around), 0), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Turned:
    """Edge pictures turned by -roll, as cumulative sums down (walls, also turned by the taper) and across (level)."""

    left: Image
    right: Image
    level: Image
    back: NDArray[np.float64]
    roll: float

    @classmethod
    def by(cls, roll: float, taper: float, upright: Image, level: Image) -> _Turned:
        height, width = upright.shape
        centre = ((width - 1) / 2, (height - 1) / 2)
        turn = cv2.getRotationMatrix2D(centre, float(np.degrees(roll)), 1.0)
        soft = cv2.GaussianBlur(cv2.warpAffine(upright, turn, (width, height)), (3, 1), 0.7)
        walls = [np.cumsum(_sheared(soft, side * np.tan(taper)), axis=0, dtype=np.float32) for side in (1, -1)]
        rows = np.cumsum(cv2.warpAffine(level, turn, (width, height)), axis=1, dtype=np.float32)
        return cls(walls[0], walls[1], rows, cv2.invertAffineTransform(turn), roll)

    def best_pairs(self, frustum: Frustum, scale: float) -> Array:
        """Rows (score, x, y, scale, roll) of the best places for a vessel of this scale in px per mm."""
        across, down = round(2 * frustum.middle_radius_mm * scale), max(round(frustum.height_mm * scale), 3)
        reach, margin = max(round(0.8 * down), 3), round(0.1 * down)
        rows, columns = self.left.shape
        if across >= columns - 4 or down >= rows - 2:
            return np.empty((0, 5))
        top = np.arange(0, rows - down - 1, 2)  # row of the rim
        left = (self.left[top + margin + reach] - self.left[top + margin])[:, :-across:2] / reach
        right = (self.right[top + margin + reach] - self.right[top + margin])[:, across::2] / reach
        inset = round(0.1 * across)
        level = (self.level[:, across - inset : columns - inset] - self.level[:, inset : columns - across + inset])[:, ::2]
        level = level / (across - 2 * inset)
        score = np.minimum(left, right) + 0.5 * level[top + down] + 0.25 * level[top]
        best = np.argpartition(score.ravel(), -min(PER_PAIR_SCALE, score.size))[-PER_PAIR_SCALE:]
        row, column = np.unravel_index(best, score.shape)
        middle = np.stack([2 * column + across / 2, top[row] + down / 2, np.ones(len(best))], axis=1) @ self.back.T
        return np.column_stack([score[row, column], middle, np.full(len(best), scale), np.full(len(best), self.roll)])


def _sheared(picture: Image, per_row: float) -> Image:
    """Columns moved so that lines leaning by `per_row` px per row (outwards to the top on the left) stand upright."""
    height, width = picture.shape
    if abs(per_row) < 1e-3:
        return picture
    move = np.array([[1.0, -per_row, per_row * (height - 1) / 2], [0.0, 1.0, 0.0]])
    return np.asarray(cv2.warpAffine(picture, move, (width, height)), dtype=np.float32)


def _distinct(pairs: Array) -> Array:
    """The best of each neighbourhood, at most PAIRS."""
    steps = np.array([3.0, 6.0, np.log(SCALE_STEP), np.radians(2.0)])
    keys = np.round(np.column_stack([pairs[:, 1:3], np.log(pairs[:, 3]), pairs[:, 4]]) / steps)
    _, first = np.unique(keys, axis=0, return_index=True)
    return np.asarray(pairs[np.sort(first)[:PAIRS]])


def _with_tilts(pairs: Array, frustum: Frustum, camera: Camera) -> Array:
    """Pose vectors for every pair, tilt and small shift along the axis."""
    _, x, y, scale, roll = pairs.T
    axis_distance = camera.f_px / scale
    share = np.minimum(frustum.middle_radius_mm / axis_distance, 0.7)
    distance = axis_distance / np.sqrt(1 - share**2)  # the outline is wider than the vessel at its axis
    return np.concatenate(
        [
            np.stack(
                [x + shift * np.sin(roll), y - shift * np.cos(roll), np.log(distance), roll, np.full_like(x, tilt)],
                axis=1,
            )
            for tilt in np.radians(TILTS_DEG)
            for shift in SHIFTS_PX
        ]
    )
