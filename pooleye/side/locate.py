"""The vessels of known shape that a side picture may show, each with its pose, best first."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.fit import Fits, refined
from pooleye.side.pose import Frustum, Poses, SidePose
from pooleye.side.search import SEARCH_PX, Edges, outline_lines, poses_about, rough_poses

Array = NDArray[np.float64]

FIT_PX = 600  # long side, about, of the picture in which poses are compared
FINE_VESSEL_PX = 420  # larger side, about, of the vessel where the one chosen is fitted last
FINE_MARGIN = 0.12
STARTS = 10  # places looked at
STARTS_ABOUT = 10  # and so many about flames
START_TILTS_DEG = (-3.0, 2.0, 7.0, 14.0)
FINALISTS = 14
LOOKS_ROUGH_PX = (5.0, 4.0, 3.0)
LOOKS_MIDDLE_PX = (5.0, 4.0, 2.5)
LOOKS_FOLLOWED_PX = (4.0, 2.5)
#: From picture to picture a hand moves the vessel, but hardly turns it or brings it nearer.
REIN = np.array([np.inf, np.inf, 8e-4, 1e-3, 1e-3])
LOOKS_FINE_PX = (6.0, 4.0, 3.0, 2.0)
#: Edge strength of each line in the last fit: rendered vessels have 0.49, 0.66 and 0.64 and more, finds by chance in
#: pictures taken from above 0.41 to 0.5, 0.46 to 0.66 and 0.47 to 0.54.
LEAST_LINES = {"left": 0.44, "right": 0.44, "base": 0.5, "rim-top": 0.5}
LEAST_LIP, LIP_FROM_ABOVE = 0.35, 0.5  # of the rim's front half, where the lens is so many radii above the rim
SHORTFALL_WEIGHT = 1.0  # in the choice between tilts: an outline that misses a line is none
FINE_TILTS_DEG = (-10.0, -5.0, -2.5, 0.0, 2.5, 5.0, 10.0)  # tried about the tilt found
FINE_NEARER = (-0.05, -0.025, 0.0, 0.02)  # likewise of the logarithm of the distance,
FINE_SHIFTS = ((0.0, 0.0), (0.03, 0.0), (-0.03, 0.0), (0.0, 0.03), (0.0, -0.03))  # and of the place, by its height
#: In the choice between nested outlines, per e-fold of size: the inner wall, the wax and the front lip repeat the
#: vessel's shape within it, often more clearly than clear glass shows its own; outside it nothing does.
OUTERMOST, OUTERMOST_MOST = 12.0, 0.55
NESTED = 6
ROUNDS = 2


@dataclass(frozen=True, eq=False)
class Located:
    """A vessel's pose in the working picture, its covariance (5, 5) in the order of `pose.PARAMETERS`, how well the
    outline is seen (`search.combined`), and the outline's scatter in working pixels."""

    pose: SidePose
    covariance: Array
    score: float
    scatter_px: float
    strength: dict[str, float]

    @property
    def shortfall(self) -> float:
        """How much the lines of the last fit lack of LEAST_LINES, together; 0 for a vessel."""
        return sum(max(least - self.strength[name], 0.0) for name, least in LEAST_LINES.items())


def vessels_in(
    rgb: RgbImage, frustum: Frustum, camera: Camera, about_px: Array, *, height_known: bool
) -> list[Located]:
    """Possible vessels, best first; `camera` is that of the picture `rgb`. Empty where no edges make one. `about_px`
    (K, 2): places of which one, if there are any, lies between the vessel's walls; where the height is known, outlines
    are also tried one by one about them (some height fits anything)."""
    middle, scale = _shrunk(rgb, FIT_PX)
    small, further = _shrunk(middle, SEARCH_PX)
    small_camera = camera.scaled(scale * further)
    about = resized(about_px, scale * further)
    vectors, _ = rough_poses(small, frustum, small_camera, about)
    flames = poses_about(small, frustum, small_camera, about if height_known else about[:0])
    vectors = np.concatenate([vectors[_apart(vectors, STARTS)], flames[_apart(flames, STARTS_ABOUT)]])
    if not len(vectors):
        return []
    tilts = np.tile(np.radians(START_TILTS_DEG), len(vectors))
    starts = _tilted(Poses(frustum, small_camera, vectors), tilts, about_foot=False)
    rough = refined(Edges.of(small), starts, LOOKS_ROUGH_PX, fine=False)
    chosen = _best_apart(rough, FINALISTS)
    again = Poses(frustum, camera.scaled(scale), resized(rough.poses.vectors[chosen], 1 / further))
    fits = refined(Edges.of(middle, 1.0), again, LOOKS_MIDDLE_PX)
    return [_located(fits, int(index), camera, 1 / scale) for index in _best_apart(fits, FINALISTS)]


def fitted_finely(rgb: RgbImage, found: Located, seen: Sequence[Located] | None) -> Located:
    """The same vessel fitted once more in its own part of the picture, as finely as helps; given what else was `seen`,
    also from places about it and from outlines that lie in it or about it: the outermost clear one.

    Scores stay those of the comparison.
    """
    tilts = np.radians(FINE_TILTS_DEG)
    if seen is None:
        fine = _refitted(rgb, found, found.pose.vector[None], tilts, LOOKS_FINE_PX, held=2)
        return replace(fine, score=found.score)
    nested = [one.pose.vector for one in seen if _is_nested(one.pose, found.pose)][:NESTED]
    starts = np.concatenate([_around(found.pose), *(vector[None] for vector in nested)])
    for _ in range(ROUNDS):
        fine = _refitted(rgb, found, starts, tilts, LOOKS_FINE_PX, held=2, pull=OUTERMOST)
        starts = _around(fine.pose)
    return replace(fine, score=found.score)


def _is_nested(one: SidePose, other: SidePose) -> bool:
    """Whether an outline lies in the other or about it, and is no more than a half larger or smaller."""
    apart_px = np.abs(one.vector[:2] - other.vector[:2]).max()
    size_px = other.frustum.middle_radius_mm * other.camera.f_px / float(np.exp(other.vector[2]))
    return bool(apart_px < 0.6 * size_px and abs(one.vector[2] - other.vector[2]) < 0.4)


def _around(pose: SidePose) -> Array:
    """The pose and others near it (N, 5)."""
    height_px = pose.frustum.height_mm * pose.camera.f_px / float(np.exp(pose.vector[2]))
    moves = [(x * height_px, y * height_px, nearer, 0.0, 0.0) for nearer in FINE_NEARER for x, y in FINE_SHIFTS]
    return np.asarray(pose.vector + np.array(moves))


def followed(rgb: RgbImage, found: Located, shift_px: Array) -> Located:
    """The vessel in the next picture of a clip, where it should have moved by about `shift_px`."""
    vector = found.pose.vector.copy()
    vector[:2] += shift_px
    there = replace(found, pose=SidePose.of(found.pose.frustum, found.pose.camera, vector))
    return _refitted(rgb, there, vector[None], np.zeros(1), LOOKS_FOLLOWED_PX, held=0, rein=REIN)


def vessel_part(pose: SidePose, size_px: tuple[int, int], margin_share: float) -> tuple[slice, slice]:
    """Rows and columns of the picture, `size_px` = (width, height), that show the vessel with a margin about it."""
    lines = np.concatenate([line[0] for line in outline_lines(pose.poses).values()])
    margin, (width, height) = margin_share * np.ptp(lines, axis=0).max(), size_px
    left, top = np.clip(lines.min(axis=0) - margin, 0, [width - 8, height - 8]).astype(int)
    right, bottom = np.clip(lines.max(axis=0) + margin, [left + 8, top + 8], [width, height]).astype(int)
    return slice(int(top), int(bottom)), slice(int(left), int(right))


def _refitted(
    rgb: RgbImage,
    found: Located,
    starts: Array,
    tilts: Array,
    looks_px: tuple[float, ...],
    held: int,
    rein: Array | None = None,
    pull: float = 0.0,
) -> Located:
    """The best outline fitted from several starts (N, 5), each turned by several tilts, in the vessel's own part of the
    picture."""
    rows, columns = vessel_part(found.pose, (rgb.shape[1], rgb.shape[0]), FINE_MARGIN)
    shrink = max(round(max(rows.stop - rows.start, columns.stop - columns.start) / FINE_VESSEL_PX), 1)
    part, scale = _by_whole(rgb[rows, columns], shrink), 1 / shrink
    corner = np.array([columns.start, rows.start, 0.0, 0.0, 0.0])
    camera = found.pose.camera
    moved = replace(camera, cx_px=camera.cx_px - columns.start, cy_px=camera.cy_px - rows.start)
    start = Poses(found.pose.frustum, moved.scaled(scale), resized(starts - corner, scale))
    turned = _tilted(start, (start.vectors[:, 4:] + tilts).ravel(), about_foot=True)
    fits = refined(Edges.of(part, 1.0), turned, looks_px, held=held, rein=rein)
    fine = _located(fits, _best_drawn(fits, pull), moved, 1 / scale)
    return replace(fine, pose=SidePose.of(found.pose.frustum, camera, fine.pose.vector + corner))


def _best_drawn(fits: Fits, pull: float) -> int:
    """The clearest fit, or a larger one that is nearly as clear; `pull` per e-fold of size."""
    scores = fits.scores - SHORTFALL_WEIGHT * _shortfalls(fits)
    larger = fits.poses.vectors[int(np.argmax(scores)), 2] - fits.poses.vectors[:, 2]
    return int(np.argmax(scores + np.minimum(pull * larger, OUTERMOST_MOST)))


def _shortfalls(fits: Fits) -> Array:
    """How much each outline lacks of LEAST_LINES and, seen from well above the rim, of its front lip."""
    short = sum(np.maximum(least - fits.strengths[name], 0.0) for name, least in LEAST_LINES.items())
    poses = fits.poses
    above = poses.lens_above_mm(poses.frustum.height_mm) > LIP_FROM_ABOVE * poses.frustum.rim_radius_mm
    return np.asarray(short + above * np.maximum(LEAST_LIP - fits.strengths["rim-inside"], 0.0))


def resized(vectors: Array, factor: float) -> Array:
    """Pose vectors (N, 5) for the picture resized by `factor`; picture edges stay edges."""
    moved = vectors.copy()
    moved[:, :2] = (vectors[:, :2] + 0.5) * factor - 0.5
    return moved


def _shrunk(rgb: RgbImage, long_side_px: int) -> tuple[RgbImage, float]:
    """The picture at this size: halved as often as it goes, which is quick, then drawn to size."""
    scale = 1.0
    while long_side_px <= max(rgb.shape[:2]) / 2:
        rgb, scale = _by_whole(rgb, 2), scale / 2
    factor = long_side_px / max(rgb.shape[:2])
    if factor >= 1:
        return rgb, scale
    smaller = cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_LINEAR)
    return np.asarray(smaller, dtype=np.uint8), scale * factor


def _by_whole(rgb: RgbImage, factor: int) -> RgbImage:
    """The picture with squares of `factor` pixels made one; what is left at the right and below falls away."""
    height, width = (side // factor for side in rgb.shape[:2])
    whole = rgb[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _tilted(poses: Poses, tilts_rad: Array, *, about_foot: bool) -> Poses:
    """Each pose with tilts of its own, (N * K,) for K each; turned about its middle, or about the foot's nearest point,
    which is always seen and, once found, stays where it is."""
    before = Poses(poses.frustum, poses.camera, np.repeat(poses.vectors, len(tilts_rad) // len(poses.vectors), axis=0))
    turned = before.vectors.copy()
    turned[:, 4] = tilts_rad
    if not about_foot:
        return Poses(poses.frustum, poses.camera, turned)
    facing = np.zeros(1)
    slipped = Poses(poses.frustum, poses.camera, turned).circle_px(0.0, facing) - before.circle_px(0.0, facing)
    turned[:, :2] -= slipped[:, 0]
    return Poses(poses.frustum, poses.camera, turned)


def _apart(vectors: Array, count: int) -> list[int]:
    """Indices of the first vectors that differ clearly in place or size from all before."""

    def near(one: Array) -> NDArray[np.bool_]:
        off = np.abs(vectors - one)
        return np.asarray((off[:, 0] + off[:, 1] <= 6) & (off[:, 2] <= 0.12))

    return _firsts(vectors, near, count)


def _best_apart(fits: Fits, count: int) -> NDArray[np.intp]:
    """Indices of the best fits that differ, best first."""
    order = np.argsort(-fits.scores, kind="stable")
    vectors = fits.poses.vectors[order]
    same = np.array([2.0, 2.0, 0.01, 0.01, 0.02])

    def near(one: Array) -> NDArray[np.bool_]:
        return np.asarray((np.abs(vectors - one) <= same).all(axis=1))

    return np.asarray(order[_firsts(vectors, near, count)])


def _firsts(vectors: Array, near: Callable[[Array], NDArray[np.bool_]], count: int) -> list[int]:
    """Indices of the first of each neighbourhood, `count` at most."""
    kept: list[int] = []
    left = np.ones(len(vectors), bool)
    while left.any() and len(kept) < count:
        kept.append(int(np.argmax(left)))
        left &= ~near(vectors[kept[-1]])
    return kept


def _located(fits: Fits, index: int, camera: Camera, factor: float) -> Located:
    vector = resized(fits.poses.vectors[[index]], factor)[0]
    units = np.array([factor, factor, 1.0, 1.0, 1.0])
    return Located(
        SidePose.of(fits.poses.frustum, camera, vector),
        fits.covariances[index] * np.outer(units, units),
        float(fits.scores[index]),
        float(fits.scatters_px[index]) * factor,
        {name: float(part[index]) for name, part in fits.strengths.items()},
    )
