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
from cv2.typing import MatLike
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.pose import Frustum, Poses

Array = NDArray[np.float64]
Image = NDArray[np.float32]

SEARCH_PX = 280
COARSE_PX = 160  # enough for vessels that fill much of the picture
COARSE_FROM = 0.22  # of the long side
NOISE_CODES = 3.0  # a gradient of so many sRGB codes per pixel counts half
WIDTH_SHARE = (0.075, 0.85)  # of the picture's width that the vessel may take
SCALE_STEP = 1.08
ROLLS_DEG = np.arange(-7.5, 7.6, 3.0)
TILTS_DEG = (-2.0, 4.0, 10.0, 17.0)
SHIFTS_PX = np.arange(-7.0, 7.1, 3.5)
PER_PAIR_SCALE = 12  # wall pairs kept for each scale and roll
PAIRS = 80  # of them looked at more closely
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
        soft = np.asarray(cv2.GaussianBlur(rgb, (0, 0), smooth_px), dtype=np.uint8)
        gx, gy = _strongest_gradient(soft)
        size = np.asarray(cv2.magnitude(gx, gy)) + np.float32(8 * NOISE_CODES)  # Sobel's weights add up to 8
        return cls(np.asarray(gx / size, dtype=np.float32), np.asarray(gy / size, dtype=np.float32))

    def thinned(self) -> Edges:
        """Only what stands out from its surroundings: texture and broad slopes weaken."""
        size = np.sqrt(self.x**2 + self.y**2)
        around = cv2.blur(size, (11, 11))
        keep = np.maximum(1 - around / np.maximum(size, 1e-6), 0).astype(np.float32)
        return Edges(*(cv2.GaussianBlur(part * keep, (0, 0), 0.7).astype(np.float32) for part in (self.x, self.y)))


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


def _taxicab(x: MatLike, y: MatLike) -> NDArray[np.int16]:
    zero = np.zeros_like(x)
    return np.asarray(cv2.add(cv2.absdiff(x, zero), cv2.absdiff(y, zero)), dtype=np.int16)


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
    along = np.empty_like(lines_px)
    along[:, 1:-1] = lines_px[:, 2:] - lines_px[:, :-2]
    along[:, 0], along[:, -1] = lines_px[:, 1] - lines_px[:, 0], lines_px[:, -1] - lines_px[:, -2]
    length = np.maximum(np.hypot(along[..., 0], along[..., 1]), 1e-9)
    return np.stack([-along[..., 1] / length, along[..., 0] / length], axis=-1)


def outline_lines(poses: Poses, fine: bool = True) -> dict[str, Array]:
    """The five lines of the outline, each (N, M, 2): both walls, the base, and the two halves of the rim.

    "rim-top" is the half that stands against the background: the farther one as long as the lens is above the rim.
    "rim-inside" is the other: the front lip seen from above, or, from below, what only clear glass shows.
    """
    edge = poses.outline_azimuth()[:, None]
    height = poses.frustum.height_mm
    arc, wall = (ARC_SHARES, WALL_SHARES) if fine else (ARC_SHARES[::2], WALL_SHARES[::2])
    near, far = arc * edge, np.pi - arc * (np.pi - edge)
    above = poses.lens_above_mm(height)[:, None] > 0
    return {
        "left": poses.wall_px(-1, wall),
        "right": poses.wall_px(1, wall),
        "base": poses.circle_px(poses.foot_line_mm()[:, None], near),
        "rim-top": poses.circle_px(height, np.where(above, far, near)),
        "rim-inside": poses.circle_px(height, np.where(above, near, far)),
    }


def supports(edges: Edges, poses: Poses) -> dict[str, Array]:
    """How much edge (0 to 1) lies along each line of the outline, at a few points; (N,) each."""
    found = {}
    for name, line in outline_lines(poses, fine=False).items():
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
    pairs = _wall_pairs(rgb, edges, frustum)
    if not len(pairs):
        return np.empty((0, 5)), np.empty(0)
    vectors = _with_tilts(_distinct(pairs), frustum, camera)
    scores = outline_score(edges.thinned(), Poses(frustum, camera, vectors))
    order = np.argsort(-scores)
    return vectors[order], scores[order]


def _wall_pairs(rgb: RgbImage, edges: Edges, frustum: Frustum) -> Array:
    """Rows (score, x, y, px per mm, roll) of possible pairs of walls, best first; x, y the middle of the vessel.

    Large vessels are looked for in a smaller copy of the picture.
    """
    height, width = rgb.shape[:2]
    smallest = WIDTH_SHARE[0] * max(height, width) / (2 * frustum.middle_radius_mm)
    scales = smallest * SCALE_STEP ** np.arange(60)
    scales = scales[scales * 2 * frustum.middle_radius_mm < WIDTH_SHARE[1] * width]
    large = scales * 2 * max(frustum.middle_radius_mm, frustum.height_mm / 2) > COARSE_FROM * max(height, width)
    factor = COARSE_PX / max(height, width)
    coarse = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    found = _pairs_of_scales(edges, frustum, scales[~large])
    rows = _pairs_of_scales(Edges.of(np.asarray(coarse, dtype=np.uint8)), frustum, scales[large] * factor)
    rows[:, 1:3] = (rows[:, 1:3] + 0.5) / factor - 0.5
    rows[:, 3] /= factor
    rows = np.concatenate([found, rows])
    return np.asarray(rows[np.argsort(-rows[:, 0])])


def _pairs_of_scales(edges: Edges, frustum: Frustum, scales: Array) -> Array:
    upright = _ridges(np.abs(edges.x), (9, 1))
    level = np.asarray(cv2.dilate(_ridges(np.abs(edges.y), (1, 9)), np.ones((5, 1), np.uint8)), dtype=np.float32)
    found = [np.empty((0, 5))]
    for roll in np.radians(ROLLS_DEG):
        turned = _Turned.by(roll, float(np.arctan(frustum.widening)), upright, level)
        found += [turned.best_pairs(frustum, float(scale)) for scale in scales]
    return np.concatenate(found)


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
        soft = np.asarray(cv2.GaussianBlur(cv2.warpAffine(upright, turn, (width, height)), (5, 1), 1.0), np.float32)
        walls = [np.cumsum(_sheared(soft, side * np.tan(taper)), axis=0, dtype=np.float32) for side in (1, -1)]
        rows = np.cumsum(cv2.warpAffine(level, turn, (width, height)), axis=1, dtype=np.float32)
        return cls(walls[0], walls[1], rows, np.asarray(cv2.invertAffineTransform(turn), dtype=np.float64), roll)

    def best_pairs(self, frustum: Frustum, scale: float) -> Array:
        """Rows (score, x, y, scale, roll) of the best places for a vessel of this scale in px per mm."""
        across, down = round(2 * frustum.middle_radius_mm * scale), max(round(frustum.height_mm * scale), 3)
        reach, margin = max(round(0.8 * down), 3), round(0.1 * down)
        rows, columns = self.left.shape
        if across >= columns - 4 or down >= rows - 2:
            return np.empty((0, 5))
        top = np.arange(0, rows - down - 1, 3)  # row of the rim
        left = (self.left[top + margin + reach] - self.left[top + margin])[:, :-across:2] / reach
        right = (self.right[top + margin + reach] - self.right[top + margin])[:, across::2] / reach
        inset = round(0.1 * across)
        level = (self.level[:, across - inset : columns - inset] - self.level[:, inset : columns - across + inset])[
            :, ::2
        ]
        level = level / (across - 2 * inset)
        score = np.minimum(left, right) + 0.5 * level[top + down] + 0.25 * level[top]
        row_of_column = score.argmax(axis=0)
        best_of_column = score[row_of_column, np.arange(score.shape[1])]
        column = np.argsort(best_of_column)[-PER_PAIR_SCALE:]
        row = row_of_column[column]
        middle = np.stack([2 * column + across / 2, top[row] + down / 2, np.ones(len(row))], axis=1) @ self.back.T
        return np.column_stack([score[row, column], middle, np.full(len(row), scale), np.full(len(row), self.roll)])


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
