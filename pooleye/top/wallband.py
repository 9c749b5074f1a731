"""The visible inner wall, unwrapped: how light it is at each clock angle and depth below the rim.

Both photos of a candle, however the phone stood, come to the same grid of clock angle and depth. A wall whose line of
sight does not pass the mouth is not in the picture and stays unseen; so does what the flame covers and, since a pose
may be a few degrees off, what the near net takes for wax.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.colour import linear_to_lightness, srgb_to_linear
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import SECTORS, VesselFrame
from pooleye.top.closeup import Closeup

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

BAND_MM = 10.0  # soot is judged from the rim this far down; the wall below it shows what clean wall looks like
ROW_MM, ROWS = 0.75, 20
PER_SECTOR, FINE = 6, 3  # columns of a sector; samples averaged to a column
COLUMNS = SECTORS * PER_SECTOR
DEPTH_MM: Array = np.asarray((np.arange(ROWS) + 0.5) * ROW_MM, float)
EDGE_PX = 0.8  # the rim's own edge, blurred by lens and JPEG, is neither wall nor lip
ABOVE_WAX_MM = 0.4
WAX_SURE, FLAME_SURE = 0.5, 0.3
GLARE_L = 99.0  # clipped to white: what is beneath cannot be known
LIP_SHARE = (1.02, 1.06)  # rim radii between which the lip lies
RINGS = (-0.92, 1.03, 1.18)
"""Where wax, lip and what lies beside the vessel (the table, or its own outside) show, in radii of the bore: the first
in the plane of the wax line, the others in that of the rim."""
BESIDE = 2  # which of them


@dataclass(frozen=True, eq=False)
class Band:
    """`linear` (rows, columns, 3): linear light; `seen` (rows, columns); `depth_mm` (rows,) below the rim circle.
    Column c is centred `column_clock_deg()[c]` clockwise from
    up in the picture; columns k * PER_SECTOR and following are sector k. `lip` (3,) and `wax` (3,): median linear light
    of the lip and of the wax's surface; `rings` (RINGS, columns, 3): linear light round the clock, nan where hidden or
    outside of the picture. `pixels` (columns,): working pixels of wall that a column shows; `px_per_mm` (columns,): of
    its depth."""

    linear: Array
    seen: Flags
    depth_mm: Array
    lip: Array
    wax: Array
    rings: Array
    pixels: Array
    px_per_mm: Array
    lit: bool

    @property
    def lightness(self) -> Array:
        """L* (rows, columns), nan where unseen."""
        return np.where(self.seen, linear_to_lightness(self.linear), np.nan)


def column_clock_deg() -> Array:
    """Clock angle (COLUMNS,) of the columns' centres."""
    width = 360.0 / COLUMNS
    return np.asarray((np.arange(COLUMNS) + 0.5) * width - 180.0 / SECTORS)


def unwrap(
    rgb: NDArray[np.uint8], close: Closeup, rim: Ellipse, frame: VesselFrame, wax_line_mm: float, lit: bool
) -> Band:
    """The wall below the rim, down to just above the wax line."""
    fine = COLUMNS * FINE
    width = 360.0 / fine
    azimuth = frame.azimuth_of_clock((np.arange(fine) + 0.5) * width - 180.0 / SECTORS)
    at = wall_px(frame, azimuth, DEPTH_MM[:, None])
    square = close.to_square(at.reshape(-1, 2)).reshape(at.shape)
    surface = sampled(np.maximum(np.maximum(close.wax, close.pool), close.ball), square)
    flame = sampled(close.flame, square)
    above_wax = np.less(DEPTH_MM, wax_line_mm - ABOVE_WAX_MM)[:, None]
    inside, shown = (above_wax & inside_mouth(rim, at, by) for by in (EDGE_PX, 0.0))
    picture = srgb_to_linear(np.asarray(sampled(rgb, at), np.uint8)).astype(float)
    wall = (surface < WAX_SURE) & (flame < FLAME_SURE)
    seen = inside & wall & (linear_to_lightness(picture) < GLARE_L)
    some = (slice(None, None, 4), slice(None, None, 4))  # a median needs no more
    wax = (np.maximum(close.wax[some], close.pool[some]) > 0.9) & (close.flame[some] < 0.02)
    return Band(
        column_means(picture, seen),
        columns(seen).mean(2) >= 0.5,
        DEPTH_MM,
        _lip_light(rgb, rim),
        _median_light(close.picture[some][wax]),
        _rings(rgb, rim, frame, azimuth, wax_line_mm),
        *pixels(at, shown & (DEPTH_MM < BAND_MM)[:, None]),
        lit,
    )


def wall_px(frame: VesselFrame, azimuth: Array, depth: Array) -> Array:
    """Working pixels (rows, columns, 2) of wall points at `depth` (rows, 1)."""
    narrowing = frame.inner_radius_mm(0.0) - frame.inner_radius_mm(1.0)
    radius = frame.rim_radius_mm - narrowing * depth
    x, y = radius * np.sin(azimuth), radius * np.cos(azimuth)
    return frame.project(np.stack([x, y, np.broadcast_to(-depth, x.shape)], -1).reshape(-1, 3)).reshape(*x.shape, 2)


def inside_mouth(rim: Ellipse, px: Array, by_px: float) -> Flags:
    """Whether a wall point is seen through the mouth: a near wall's points project outside of the rim."""
    least = (1 - by_px / rim.b) ** 2
    return np.asarray(rim._level(px) < least)


def sampled(picture: NDArray[Any], at: Array) -> NDArray[Any]:
    where = at.astype(np.float32)
    return np.asarray(cv2.remap(picture, where[..., 0], where[..., 1], cv2.INTER_LINEAR))


def columns(fine: NDArray[Any]) -> NDArray[Any]:
    return fine.reshape(len(fine), COLUMNS, -1, *fine.shape[2:])


def column_means(fine: Array, seen: Flags) -> Array:
    weight = columns(seen)[..., None].astype(float)
    return np.asarray((columns(fine) * weight).sum(2) / np.maximum(weight.sum(2), 1.0))


def _lip_light(rgb: NDArray[np.uint8], rim: Ellipse) -> Array:
    rings = [
        Ellipse(rim.cx, rim.cy, rim.a * k, rim.b * k, rim.angle_rad).points(120) for k in np.linspace(*LIP_SHARE, 3)
    ]
    at = np.stack(rings)
    return _median_light(sampled(rgb, at).reshape(-1, 3))


def ring_px(frame: VesselFrame, azimuth: Array, wax_line_mm: float) -> Array:
    """Working pixels (RINGS, azimuths, 2)."""
    around = np.stack([np.sin(azimuth), np.cos(azimuth), np.zeros_like(azimuth)], 1)
    wax = -RINGS[0] * frame.inner_radius_mm(wax_line_mm) * around - [0.0, 0.0, wax_line_mm]
    flat = np.stack([wax, *(share * frame.rim_radius_mm * around for share in RINGS[1:])])
    return frame.project(flat.reshape(-1, 3)).reshape(*flat.shape[:2], 2)


def _rings(rgb: NDArray[np.uint8], rim: Ellipse, frame: VesselFrame, azimuth: Array, wax_line_mm: float) -> Array:
    """Light (RINGS, COLUMNS, 3); none of the wax where its depth is unknown."""
    known = bool(np.isfinite(wax_line_mm))
    at = ring_px(frame, azimuth, wax_line_mm if known else 0.0)
    shown = np.all((at >= 0) & (at <= np.array(rgb.shape[1::-1]) - 1), axis=-1)
    shown[0] &= known & inside_mouth(rim, at[0], 0.0)
    light = srgb_to_linear(np.asarray(sampled(rgb, at), np.uint8)).astype(float)
    return np.asarray(columns(np.where(shown[..., None], light, np.nan)).mean(2))


def _median_light(codes: NDArray[Any]) -> Array:
    if not len(codes):
        return np.full(3, np.nan)
    return np.asarray(np.median(srgb_to_linear(np.asarray(codes, np.uint8)).astype(float), axis=0))


def pixels(at: Array, seen: Flags) -> tuple[Array, Array]:
    """Area (columns,) in working pixels: length of the column in the picture times its width there; and the length of
    a millimetre of depth."""
    tall = np.hypot(*np.moveaxis(np.gradient(at, axis=0), -1, 0))
    wide = np.hypot(*np.moveaxis(np.gradient(at, axis=1), -1, 0))
    return np.asarray(columns(tall * wide * seen).sum((0, 2))), columns(tall).mean((0, 2)) / ROW_MM


def lip_marks(rgb: NDArray[np.uint8], frame: VesselFrame) -> Array:
    """L* (360,) of the lip and the wall just outside of it by degree of azimuth, clockwise from up in the picture."""
    azimuth = np.radians(np.arange(360.0))
    radius = frame.rim_radius_mm * np.linspace(*LIP_SHARE, 3)
    flat = np.stack([np.outer(radius, np.sin(azimuth)), np.outer(radius, np.cos(azimuth)), np.zeros((3, 360))], -1)
    codes = sampled(rgb, frame.project(flat.reshape(-1, 3)).reshape(3, 360, 2))
    return linear_to_lightness(srgb_to_linear(np.asarray(codes, np.uint8)).astype(float).mean(0))
