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
COARSE_FROM = 0.17  # of the long side
THINNED_PX = 1.0  # lines are so wide when whole outlines are first laid over them
NOISE_CODES = 3.0  # a gradient of so many sRGB codes per pixel counts half
WIDTH_SHARE = (0.075, 0.85)  # of the picture's width that the vessel may take
WIDTH_STEP = 1.08
TOP_STEP = 3
ROLLS_DEG = np.arange(-7.5, 7.6, 3.0)
TILTS_DEG = (-1.0, 6.0, 14.0)
SLIDE_STEPS = np.linspace(-1.0, 1.0, 15)
SLIDE_SHARE, SLIDE_PX = 0.3, (8.0, 45.0)  # of the height: how far along its walls a vessel is looked for
FLAME_ASIDE = 0.42  # of the width: how far from the middle a flame may burn
FLAME_ASIDE_COST = 1.2  # wicks stand near the middle
FLAME_ABOVE_MM = 60.0  # its middle above the rim
PER_PAIR_WIDTH = 12  # wall pairs kept for each width and roll
PAIRS = 28  # of them looked at more closely
ABOUT_STEP = 1.05  # of the sizes tried about a flame
ABOUT_ACROSS = np.linspace(-0.15, 0.15, 7)  # of the width: places of the axis beside a flame
ABOUT_UP = np.linspace(0.2, 1.1, 16)  # of the height: places of a flame's middle above the underside
ABOUT_TILTS_DEG = (3.0, 8.0)
ABOUT_KEPT = 300
WALL_SHARES = np.linspace(0.1, 0.9, 14)
ORDINARY_LIP = 0.5  # strength of a front lip that is seen
ARC_SHARES = np.linspace(-0.92, 0.92, 16)


@dataclass(frozen=True, eq=False)
class Edges:
    """Gradient divided by (its size + NOISE_CODES), (height, width, 2), x and y parts: a direction times a strength
    from 0 to 1."""

    field: Image

    @classmethod
    def of(cls, rgb: RgbImage, smooth_px: float = 0.8) -> Edges:
        """Edges of the strongest colour channel at each pixel."""
        soft = np.asarray(cv2.GaussianBlur(rgb, (0, 0), smooth_px), dtype=np.uint8)
        gx, gy = _strongest_gradient(soft)
        size = np.asarray(cv2.magnitude(gx, gy)) + np.float32(8 * NOISE_CODES)  # Sobel's weights add up to 8
        return cls(np.asarray(cv2.merge([gx / size, gy / size]), dtype=np.float32))

    @property
    def x(self) -> Image:
        return self.field[..., 0]

    @property
    def y(self) -> Image:
        return self.field[..., 1]

    def thinned(self) -> Edges:
        """Only what stands out from its surroundings: texture and broad slopes weaken."""
        size = np.sqrt(self.x**2 + self.y**2)
        around = cv2.blur(size, (11, 11))
        keep = np.maximum(1 - around / np.maximum(size, 1e-6), 0).astype(np.float32)
        return Edges(np.asarray(cv2.GaussianBlur(self.field * keep[..., None], (0, 0), THINNED_PX), dtype=np.float32))

    def along(self, points_px: Array, normals_px: Array) -> Array:
        """Strength (0 to 1) of an edge across these normals (..., 2) at these points; 0 outside the picture."""
        across = sampled(self.field, points_px)
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


def sampled(field: Image, points_px: Array) -> Array:
    """Values of a picture at points (..., 2), bilinear; 0 outside it."""
    flat = points_px.reshape(-1, 2)
    width = 8192  # cv2.remap takes no more than 32767 columns
    grid = np.full((-(-len(flat) // width) * width, 2), -10, np.float32)
    grid[: len(flat)] = flat
    x, y = grid.reshape(-1, width, 2)[..., 0], grid.reshape(-1, width, 2)[..., 1]
    values = np.asarray(cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT))
    shape = points_px.shape[:-1] + field.shape[2:]
    return np.asarray(values.reshape(-1, *field.shape[2:])[: len(flat)].reshape(shape), dtype=np.float64)


def normals_px(lines_px: Array) -> Array:
    """Unit normals (N, M, 2) of polylines (N, M, 2)."""
    along = np.empty_like(lines_px)
    along[:, 1:-1] = lines_px[:, 2:] - lines_px[:, :-2]
    along[:, 0], along[:, -1] = lines_px[:, 1] - lines_px[:, 0], lines_px[:, -1] - lines_px[:, -2]
    length = np.maximum(np.hypot(along[..., 0], along[..., 1]), 1e-9)
    return np.stack([-along[..., 1] / length, along[..., 0] / length], axis=-1)


LINES = ("left", "right", "base", "rim-top", "rim-inside")


def outline_mm(poses: Poses, fine: bool = True) -> tuple[Array, list[slice]]:
    """Points (N, M, 3) of the five LINES of the outline in the camera's frame, and which of them belong to each line.

    The lines are both walls, the base, and the two halves of the rim: "rim-top" is the half that stands against the
    background: the farther one as long as the lens is above the rim; "rim-inside" is the other: the front lip seen
    from above, or, from below, what only clear glass shows.
    """
    edge = poses.outline_azimuth()[:, None]
    height = poses.frustum.height_mm
    arc, wall = (ARC_SHARES, WALL_SHARES) if fine else (ARC_SHARES[::2], WALL_SHARES[::2])
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


def outline_lines(poses: Poses, fine: bool = True) -> dict[str, Array]:
    """The five lines of the outline in the picture, each (N, M, 2); see `outline_mm`."""
    points, parts = outline_mm(poses, fine)
    seen = poses.seen_px(points)
    return {name: seen[:, part] for name, part in zip(LINES, parts, strict=True)}


def outline_normals_px(seen_px: Array, parts: list[slice]) -> Array:
    """Unit normals (N, M, 2) of the outline's lines, each a polyline of its own."""
    return np.concatenate([normals_px(seen_px[:, part]) for part in parts], axis=1)


def supports(edges: Edges, poses: Poses) -> dict[str, Array]:
    """How much edge (0 to 1) lies along each line of the outline, at a few points; (N,) each."""
    points, parts = outline_mm(poses, fine=False)
    seen = poses.seen_px(points)
    normal = outline_normals_px(seen, parts)
    across = edges.along(seen, normal)
    return {name: across[:, part].mean(axis=1) for name, part in zip(LINES, parts, strict=True)}


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


def rough_poses(rgb: RgbImage, frustum: Frustum, camera: Camera, about_px: Array) -> tuple[Array, Array]:
    """Pose vectors (N, 5) for this picture, best first, and their scores; `camera` is that of this small picture. Only
    vessels with one of the points `about_px` (K, 2) between their walls; of none, all."""
    edges = Edges.of(rgb)
    pairs = _wall_pairs(rgb, edges, frustum, about_px)
    if not len(pairs):
        return np.empty((0, 5)), np.empty(0)
    vectors = _with_tilts(_distinct(pairs, frustum.height_mm), frustum, camera)
    scores = outline_score(edges.thinned(), Poses(frustum, camera, vectors))
    order = np.argsort(-scores)
    return vectors[order], scores[order]


def poses_about(rgb: RgbImage, frustum: Frustum, camera: Camera, flames_px: Array) -> Array:
    """Pose vectors (N, 5), best first, of vessels with one of these flames (K, 2) near their axis. Size and place are
    tried one by one, so that all edges count together where each wall is too faint to be found by itself."""
    height, width = rgb.shape[:2]
    sizes = _growing(WIDTH_SHARE[0] * max(height, width), WIDTH_SHARE[1] * width, ABOUT_STEP)
    across, up, tilt = np.meshgrid(ABOUT_ACROSS, ABOUT_UP, np.radians(ABOUT_TILTS_DEG), indexing="ij")
    found = []
    for x, y in flames_px:
        for size in sizes:
            scale = size / (2 * frustum.middle_radius_mm)
            middle_y = y + (up.ravel() - 0.5) * frustum.height_mm * scale
            vectors = np.zeros((up.size, 5))
            vectors[:, 0], vectors[:, 1] = x + across.ravel() * size, middle_y
            vectors[:, 2], vectors[:, 4] = np.log(camera.f_px / scale), tilt.ravel()
            found.append(vectors)
    if not found:
        return np.empty((0, 5))
    vectors = np.concatenate(found)
    scores = outline_score(Edges.of(rgb).thinned(), Poses(frustum, camera, vectors))
    return np.asarray(vectors[np.argsort(-scores)[:ABOUT_KEPT]])


def _growing(low_px: float, high_px: float, step: float) -> Array:
    """Sizes from low to high, each larger than the one before by this factor."""
    return np.asarray(low_px * step ** np.arange(int(np.log(high_px / low_px) / np.log(step)) + 1))


def _wall_pairs(rgb: RgbImage, edges: Edges, frustum: Frustum, about_px: Array) -> Array:
    """Rows (score, x, y, px per mm, roll) of possible pairs of walls, best first; x, y the middle of the vessel.

    Large vessels are looked for in a smaller copy of the picture.
    """
    height, width = rgb.shape[:2]
    long_side, diameter = max(height, width), 2 * frustum.middle_radius_mm
    coarse_from = COARSE_FROM * long_side * min(1.0, diameter / frustum.height_mm)
    factor = COARSE_PX / long_side
    coarse = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    small = _even_widths(WIDTH_SHARE[0] * long_side, min(coarse_from, WIDTH_SHARE[1] * width))
    large = _even_widths(max(coarse_from, WIDTH_SHARE[0] * long_side) * factor, WIDTH_SHARE[1] * width * factor)
    found = _pairs_of_widths(edges, frustum, small, about_px)
    coarse_about = (about_px + 0.5) * factor - 0.5
    rows = _pairs_of_widths(Edges.of(np.asarray(coarse, dtype=np.uint8)), frustum, large, coarse_about)
    rows[:, 1:3] = (rows[:, 1:3] + 0.5) / factor - 0.5
    rows[:, 3] /= factor
    rows = np.concatenate([found, rows])
    return np.asarray(rows[np.argsort(-rows[:, 0])])


def _even_widths(low_px: float, high_px: float) -> list[int]:
    """Even numbers from low to high, each larger than the one before by WIDTH_STEP or the least possible."""
    widths = [2 * max(round(low_px / 2), 4)]
    while (following := max(2 * round(widths[-1] * WIDTH_STEP / 2), widths[-1] + 2)) <= high_px:
        widths.append(following)
    return [width for width in widths if low_px - 1 <= width < high_px]


def _pairs_of_widths(edges: Edges, frustum: Frustum, widths_px: list[int], about_px: Array) -> Array:
    turned = _Turned.of(edges, frustum)
    about = turned.places_of(about_px)
    rows = np.concatenate([np.empty((0, 5)), *(turned.best_pairs(width, about) for width in widths_px)])
    return np.asarray(rows[rows[:, 0] > 0])


def _ridges(strength: Image, around: tuple[int, int]) -> Image:
    """What stands out from its neighbours across the edge."""
    return np.asarray(np.maximum(strength - cv2.blur(strength, around), 0), dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Turned:
    """Edge pictures turned by minus each of ROLLS_DEG, (rows, rolls, columns), every second column of them, as sums
    down (walls, also turned by the taper) and across (level). `backs` (rolls, 2, 3): from (column, row, 1) here to the
    picture."""

    frustum: Frustum
    left: Image
    right: Image
    level: Image
    backs: Array

    @classmethod
    def of(cls, edges: Edges, frustum: Frustum) -> _Turned:
        upright = cv2.GaussianBlur(_ridges(np.abs(edges.x), (9, 1)), (5, 1), 1.0)
        level = cv2.dilate(_ridges(np.abs(edges.y), (1, 9)), np.ones((5, 1), np.uint8))
        height, width = upright.shape
        centre = ((width - 1) / 2, (height - 1) / 2)
        turns = [np.vstack([cv2.getRotationMatrix2D(centre, float(roll), 1.0), [0, 0, 1]]) for roll in ROLLS_DEG]
        turns = [np.diag([0.5, 1.0, 1.0]) @ turn for turn in turns]
        shape = (height, len(turns), (width + 1) // 2)

        def turned(picture: MatLike, lean: float) -> Image:
            found = np.empty(shape, np.float32)
            for index, turn in enumerate(turns):
                move = (_shear(lean, height) @ turn)[:2]
                found[:, index] = cv2.warpAffine(picture, move, (shape[2], height))
            return found

        left = _sums_down(turned(upright, frustum.widening))
        right = _sums_down(turned(upright, -frustum.widening)) if frustum.widening else left
        rows = np.cumsum(turned(level, 0.0), axis=2, dtype=np.float32)
        return cls(frustum, left, right, rows, np.linalg.inv(turns)[:, :2])

    def places_of(self, points_px: Array) -> Array:
        """Columns and rows here (K, rolls, 2) of points (K, 2) of the picture."""
        turns = np.linalg.inv(
            np.concatenate([self.backs, np.tile([[[0.0, 0.0, 1.0]]], (len(self.backs), 1, 1))], axis=1)
        )
        points = np.column_stack([points_px, np.ones(len(points_px))])
        return np.asarray(np.einsum("rij,kj->kri", turns[:, :2], points))

    def best_pairs(self, across_px: int, about: Array) -> Array:
        """Rows (score, x, y, px per mm, roll) of the best places for a vessel so wide, an even number, with one of the
        places `about` (K, rolls, 2) between its walls and from a little above its foot to far above its rim."""
        scale, across = across_px / (2 * self.frustum.middle_radius_mm), across_px // 2
        down = max(round(self.frustum.height_mm * scale), 3)
        reach, margin, inset = max(round(0.8 * down), 3), round(0.1 * down), round(0.1 * across)
        rows, rolls, columns = self.left.shape
        if across >= columns - 2 or down >= rows - 2:
            return np.empty((0, 5))
        last = TOP_STEP * ((rows - down - 2) // TOP_STEP)  # row of the lowest rim tried

        def every(sums: Image, start: int) -> Image:
            return sums[start : start + last + 1 : TOP_STEP]

        low, high = margin + reach, margin
        score = every(self.left[..., :-across], low) - every(self.left[..., :-across], high)
        np.minimum(score, every(self.right[..., across:], low) - every(self.right[..., across:], high), out=score)
        score *= np.float32(1 / reach)
        ends, starts = (
            self.level[..., across - inset : columns - inset],
            self.level[..., inset : columns - across + inset],
        )
        for row, weight in ((down, 0.5), (0, 0.25)):
            score += np.float32(weight / (across - 2 * inset)) * (every(ends, row) - every(starts, row))
        if len(about):
            middle = np.arange(score.shape[2]) + across / 2
            aside = np.abs(middle - about[..., :1]) / across  # (K, rolls, columns)
            beside = aside < FLAME_ASIDE
            top = TOP_STEP * np.arange(len(score))[:, None, None]
            above_rim = top - about[..., 1][..., None, :, None]  # (K, tops, rolls, 1)
            fits = beside[:, None] & (above_rim < FLAME_ABOVE_MM * scale) & (above_rim > -0.9 * down)
            score -= (FLAME_ASIDE_COST * np.min(aside, axis=0) ** 2).astype(np.float32)
            score[~fits.any(axis=0)] = -1.0
        best_of_column = score.max(axis=0)
        column = np.argsort(best_of_column, axis=1, kind="stable")[:, -PER_PAIR_WIDTH:]
        roll = np.broadcast_to(np.arange(rolls)[:, None], column.shape)
        row = TOP_STEP * score[:, roll, column].argmax(axis=0)
        places = np.stack([column + across / 2, row + down / 2, np.ones(column.shape)], axis=1)
        middle = (self.backs @ places).transpose(0, 2, 1)
        angle = np.radians(ROLLS_DEG)[roll]
        found = [best_of_column[roll, column], middle[..., 0], middle[..., 1]]
        return np.stack([*found, np.full(column.shape, scale), angle], axis=-1).reshape(-1, 5)


def _sums_down(picture: Image) -> Image:
    """Cumulative sums along the first axis, in place; row by row, which is quicker than numpy's cumsum there."""
    for row in range(1, len(picture)):
        picture[row] += picture[row - 1]
    return picture


def _shear(per_row: float, height: int) -> Array:
    """Moves every second column so that lines leaning by `per_row` px per row (outwards to the top on the left) stand
    upright."""
    return np.array([[1.0, -per_row / 2, per_row * (height - 1) / 4], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


def _distinct(pairs: Array, height_mm: float) -> Array:
    """The best of each neighbourhood, at most PAIRS; how far along the axis the vessel stands is settled later."""
    _, x, y, scale, roll = pairs.T
    across = (x * np.cos(roll) + y * np.sin(roll)) / 4.0
    along = (y * np.cos(roll) - x * np.sin(roll)) / (SLIDE_SHARE * height_mm * scale)
    keys = np.stack([across, along, np.log(scale) / np.log(WIDTH_STEP), roll / np.radians(2.0)]).round().astype(int)
    keys -= keys.min(axis=1, keepdims=True)
    one_key = np.ravel_multi_index(tuple(keys), tuple(keys.max(axis=1) + 1))
    _, first = np.unique(one_key, return_index=True)
    return np.asarray(pairs[np.sort(first)[:PAIRS]])


def _with_tilts(pairs: Array, frustum: Frustum, camera: Camera) -> Array:
    """Pose vectors for every pair, tilt and shift along the axis: walls look alike all along, and a wax line or a
    shadow may pass for a rim or a foot."""
    _, x, y, scale, roll = pairs.T
    axis_distance = camera.f_px / scale
    share = np.minimum(frustum.middle_radius_mm / axis_distance, 0.7)
    distance = axis_distance / np.sqrt(1 - share**2)  # the outline is wider than the vessel at its axis
    slide = np.clip(SLIDE_SHARE * frustum.height_mm * scale, *SLIDE_PX)
    return np.concatenate(
        [
            np.stack(
                [x + shift * np.sin(roll), y - shift * np.cos(roll), np.log(distance), roll, np.full_like(x, tilt)],
                axis=1,
            )
            for tilt in np.radians(TILTS_DEG)
            for shift in SLIDE_STEPS[:, None] * slide
        ]
    )
