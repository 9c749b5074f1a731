"""A vessel's pose in the picture, fitted to its edges about where it was seen, and followed through a clip."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.fit import Fits, refined
from pooleye.side.maps import Maps
from pooleye.side.outline import Edges, outline_lines
from pooleye.side.pose import Poses, SidePose

Array = NDArray[np.float64]

FINE_VESSEL_PX = 420  # larger side, about, of the vessel where its outline is fitted
FINE_MARGIN = 0.12
FINE_TILTS_DEG = (-4.0, -2.0, 0.0, 2.0, 4.0)  # tried about the tilt of the silhouette
WIDE_TILTS_DEG = (-10.0, -5.0, 0.0, 5.0, 10.0)  # where lines are missing,
WIDE_NEARER = (-0.05, 0.0, 0.05)  # with the logarithm of the distance,
WIDE_SHIFTS = ((0.0, 0.0), (0.04, 0.0), (-0.04, 0.0), (0.0, 0.05), (0.0, -0.05))  # and the place, by its height
DOUBTFUL, CLEARLY_BETTER = 2.1, 0.4
"""Of 254 rendered pictures a wide search gave 25 an outline clearer by so much, nearly all from one less clear than the
first: nearer to the truth in 17 of them, farther in 6. Of the 95 others that it gave 9 were nearer, 29 farther."""
FINALISTS, FIRST_LOOKS = 12, 2  # of many poses so many are fitted on, after so many steps
LOOKS_FINE_PX = (6.0, 4.0, 3.0, 2.0)
#: Pixels of the maps, between the outline in them and the one in the picture; the second where all its lines show.
MOST_APART, CLEARLY_APART = 2.5, 10.0
LOOKS_FOLLOWED_PX = (4.0, 2.5)
#: From picture to picture a hand moves the vessel, but hardly turns it or brings it nearer.
REIN = np.array([np.inf, np.inf, 8e-4, 1e-3, 1e-3])
#: Edge strength of each line in the fit: rendered vessels have 0.49, 0.66 and 0.64 and more.
LEAST_LINES = {"left": 0.44, "right": 0.44, "base": 0.5, "rim-top": 0.5}
LEAST_LIP, LIP_FROM_ABOVE = 0.35, 0.5  # of the rim's front half, where the lens is so many radii above the rim
CLEAR_LINE = 0.62  # of each line of what certainly is the vessel: right outlines had 0.66 and more


@dataclass(frozen=True, eq=False)
class Located:
    """A vessel's pose in the working picture, its covariance (5, 5) in the order of `pose.PARAMETERS`, the strength of
    its lines' edges; the maps it was found in, and how far its outline lies from theirs, pixels of the maps."""

    pose: SidePose
    covariance: Array
    strength: dict[str, float]
    maps: Maps | None = None
    apart: float = 0.0

    @property
    def shortfall(self) -> float:
        """How much the lines of the last fit lack of LEAST_LINES, together; 0 for a vessel."""
        return sum(max(least - self.strength.get(name, 0.0), 0.0) for name, least in LEAST_LINES.items())

    @property
    def is_clear(self) -> bool:
        """Whether all its lines show."""
        return min(self.strength[name] for name in LEAST_LINES) > CLEAR_LINE


def fitted_finely(rgb: RgbImage, found: Located, maps: Maps) -> Located:
    """The vessel found in the maps, fitted to the edges of its own part of the picture, as finely as helps; as it was
    found where the edges lead elsewhere."""
    fine, score = _refitted(rgb, found, found.pose.vector[None], np.radians(FINE_TILTS_DEG), LOOKS_FINE_PX, held=2)
    if not fine.is_clear and score < DOUBTFUL:
        other, better = _refitted(rgb, fine, _around(fine.pose), np.radians(WIDE_TILTS_DEG), LOOKS_FINE_PX, held=2)
        fine = other if better > score + CLEARLY_BETTER else fine
    lines = [np.concatenate(list(outline_lines(one.pose.poses).values()), axis=1)[0] for one in (found, fine)]
    apart = float(np.sqrt(np.mean(np.sum((lines[1] - lines[0]) ** 2, axis=1)))) * maps.scale
    most = CLEARLY_APART if fine.is_clear else MOST_APART
    return replace(fine if apart <= most else found, strength=fine.strength, maps=maps, apart=apart)


def _around(pose: SidePose) -> Array:
    """The pose and others near it (N, 5)."""
    height_px = pose.frustum.height_mm * pose.camera.f_px / float(np.exp(pose.vector[2]))
    moves = [(x * height_px, y * height_px, nearer, 0.0, 0.0) for nearer in WIDE_NEARER for x, y in WIDE_SHIFTS]
    return np.asarray(pose.vector + np.array(moves))


def followed(rgb: RgbImage, found: Located, shift_px: Array) -> Located:
    """The vessel in the next picture of a clip, where it should have moved by about `shift_px`."""
    vector = found.pose.vector.copy()
    vector[:2] += shift_px
    there = replace(found, pose=SidePose.of(found.pose.frustum, found.pose.camera, vector))
    return _refitted(rgb, there, vector[None], np.zeros(1), LOOKS_FOLLOWED_PX, held=0, rein=REIN)[0]


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
    tilts_rad: Array,
    looks_px: tuple[float, ...],
    held: int,
    rein: Array | None = None,
) -> tuple[Located, float]:
    """The clearest outline fitted from starts (N, 5), each turned by several tilts, in the vessel's own part of the
    picture, and how clear it is."""
    rows, columns = vessel_part(found.pose, (rgb.shape[1], rgb.shape[0]), FINE_MARGIN)
    shrink = max(round(max(rows.stop - rows.start, columns.stop - columns.start) / FINE_VESSEL_PX), 1)
    part, scale = _by_whole(rgb[rows, columns], shrink), 1 / shrink
    corner = np.array([columns.start, rows.start, 0.0, 0.0, 0.0])
    camera = found.pose.camera
    moved = replace(camera, cx_px=camera.cx_px - columns.start, cy_px=camera.cy_px - rows.start)
    turned = _tilted(Poses(found.pose.frustum, moved.scaled(scale), resized(starts - corner, scale)), tilts_rad)
    edges = Edges.of(part)
    if len(turned.vectors) > FINALISTS:
        first = refined(edges, turned, looks_px[:FIRST_LOOKS], held=held, rein=rein)
        ahead = np.argsort(_shortfalls(first) - first.scores)[:FINALISTS]
        turned, looks_px = replace(turned, vectors=first.poses.vectors[ahead]), looks_px[FIRST_LOOKS:]
        held = max(held - FIRST_LOOKS, 0)
    fits = refined(edges, turned, looks_px, held=held, rein=rein)
    clear = fits.scores - _shortfalls(fits)
    best = int(np.argmax(clear))
    fine = _located(fits, best, moved, 1 / scale)
    return replace(fine, pose=SidePose.of(found.pose.frustum, camera, fine.pose.vector + corner)), float(clear[best])


def resized(vectors: Array, factor: float) -> Array:
    """Pose vectors (N, 5) for the picture resized by `factor`; picture edges stay edges."""
    moved = vectors.copy()
    moved[:, :2] = (vectors[:, :2] + 0.5) * factor - 0.5
    return moved


def _by_whole(rgb: RgbImage, factor: int) -> RgbImage:
    """The picture with squares of `factor` pixels made one; what is left at the right and below falls away."""
    height, width = (side // factor for side in rgb.shape[:2])
    whole = rgb[: height * factor, : width * factor]
    return np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _shortfalls(fits: Fits) -> Array:
    """How much each outline lacks of LEAST_LINES and, seen from well above the rim, of its front lip."""
    short = sum(np.maximum(least - fits.strengths[name], 0.0) for name, least in LEAST_LINES.items())
    poses = fits.poses
    above = poses.lens_above_mm(poses.frustum.height_mm) > LIP_FROM_ABOVE * poses.frustum.rim_radius_mm
    return np.asarray(short + above * np.maximum(LEAST_LIP - fits.strengths["rim-inside"], 0.0))


def _tilted(poses: Poses, tilts_rad: Array) -> Poses:
    """Each pose turned by each of the tilts (K,), (N * K,), about the foot's nearest point, which is always seen and,
    once found, stays where it is."""
    before = Poses(poses.frustum, poses.camera, np.repeat(poses.vectors, len(tilts_rad), axis=0))
    turned = before.vectors.copy()
    turned[:, 4] += np.tile(tilts_rad, len(poses.vectors))
    facing = np.zeros(1)
    slipped = Poses(poses.frustum, poses.camera, turned).circle_px(0.0, facing) - before.circle_px(0.0, facing)
    turned[:, :2] -= slipped[:, 0]
    return Poses(poses.frustum, poses.camera, turned)


def _located(fits: Fits, index: int, camera: Camera, factor: float) -> Located:
    vector = resized(fits.poses.vectors[[index]], factor)[0]
    units = np.array([factor, factor, 1.0, 1.0, 1.0])
    return Located(
        SidePose.of(fits.poses.frustum, camera, vector),
        fits.covariances[index] * np.outer(units, units),
        {name: float(part[index]) for name, part in fits.strengths.items()},
    )
