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
ROW_MM, JUDGED_ROWS = 0.75, 13  # the rows of the band; below it, deeper ones twice as tall
DEPTH_MM: Array = np.concatenate([(np.arange(13) + 0.5) * ROW_MM, 13 * ROW_MM + (np.arange(9) + 0.5) * 2 * ROW_MM])
ROWS = len(DEPTH_MM)
RINGS = (-0.8, -0.92, 1.03, 1.1, 1.18, 1.28, 1.38)
"""Where the light around the wall is kept too, in radii, below zero of the wax's plane, else of the rim's: the wax, the
lip, and the table beside the vessel, which a clear wall shows."""
PER_SECTOR, FINE = 6, 3  # columns of a sector; samples averaged to a column
COLUMNS = SECTORS * PER_SECTOR
EDGE_PX = 1.6  # the rim's own edge, blurred by lens and JPEG, is neither wall nor lip
ABOVE_WAX_MM = 0.4
WAX_SURE, FLAME_SURE = 0.5, 0.3
GLARE_L = 99.0  # clipped to white: what is beneath cannot be known
LIP_SHARE = (1.02, 1.06)  # rim radii between which the lip lies


@dataclass(frozen=True, eq=False)
class Band:
    """`linear` (ROWS, COLUMNS, 3): linear light at DEPTH_MM below the rim circle; `seen` (ROWS, COLUMNS). Column c is
    centred `column_clock_deg()[c]` clockwise from up in the picture; columns k * PER_SECTOR and following are sector k.
    `around` (len(RINGS), COLUMNS, 3): linear light of the rings, 0 where the picture does not show them. `pixels`
    (COLUMNS,): working pixels of wall that a column shows; `px_per_mm` (COLUMNS,): of its depth."""

    linear: Array
    seen: Flags
    around: Array
    pixels: Array
    px_per_mm: Array
    lit: bool


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
    return Band(
        column_means(picture, seen),
        columns(seen).mean(2) >= 0.5,
        _around(rgb, rim, frame, azimuth, wax_line_mm),
        *pixels(at[:JUDGED_ROWS], shown[:JUDGED_ROWS]),
        lit,
    )


def ring_px(frame: VesselFrame, azimuth: Array, wax_mm: float) -> Array:
    """Working pixels (len(RINGS), columns, 2) of the rings."""
    share = np.array(RINGS)[:, None]
    radius = np.where(share > 0, frame.rim_radius_mm, frame.inner_radius_mm(wax_mm)) * np.abs(share)
    x, y = radius * np.sin(azimuth), radius * np.cos(azimuth)
    z = np.broadcast_to(np.where(share > 0, 0.0, -wax_mm), x.shape)
    return frame.project(np.stack([x, y, z], -1).reshape(-1, 3)).reshape(*x.shape, 2)


def _around(rgb: NDArray[np.uint8], rim: Ellipse, frame: VesselFrame, azimuth: Array, wax_mm: float) -> Array:
    at = ring_px(frame, azimuth, max(wax_mm, 0.0))
    shown = ((at >= 0) & (at <= np.array(rgb.shape[1::-1]) - 1)).all(-1)
    shown &= (np.array(RINGS) > 0)[:, None] | inside_mouth(rim, at, 0.0)
    light = srgb_to_linear(np.asarray(sampled(rgb, at), np.uint8)).astype(float)
    return np.where(np.asarray(columns(shown).all(2))[..., None], columns(light).mean(2), 0.0)


def wall_px(frame: VesselFrame, azimuth: Array, depth: Array) -> Array:
    """Working pixels (rows, columns, 2) of wall points at `depth` (rows, 1)."""
    narrowing = frame.inner_radius_mm(0.0) - frame.inner_radius_mm(1.0)
    radius = frame.rim_radius_mm - narrowing * depth
    x, y = radius * np.sin(azimuth), radius * np.cos(azimuth)
    return frame.project(np.stack([x, y, np.broadcast_to(-depth, x.shape)], -1).reshape(-1, 3)).reshape(*x.shape, 2)


def inside_mouth(rim: Ellipse, px: Array, by_px: float) -> Flags:
    """Whether a wall point is seen through the mouth: a near wall's points project outside of the rim."""
    return np.asarray(rim._level(px) < 1 - by_px / rim.b)


def sampled(picture: NDArray[Any], at: Array) -> NDArray[Any]:
    where = at.astype(np.float32)
    return np.asarray(cv2.remap(picture, where[..., 0], where[..., 1], cv2.INTER_LINEAR))


def columns(fine: NDArray[Any]) -> NDArray[Any]:
    return fine.reshape(len(fine), COLUMNS, -1, *fine.shape[2:])


def column_means(fine: Array, seen: Flags) -> Array:
    weight = columns(seen)[..., None].astype(float)
    return np.asarray((columns(fine) * weight).sum(2) / np.maximum(weight.sum(2), 1.0))


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
