"""The square around one mouth in which its rim is a circle, and what the near net sees in it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pooleye.optics.ellipse import Ellipse
from pooleye.top import networks
from pooleye.top.regions import regions

Array = NDArray[np.float64]
FloatMap = NDArray[np.float32]

MAPS = ("mouth", "wax", "pool", "flame", "ball", "wick", "crumbs")  # of the near net
FLAME_SURE = 0.5  # at 0.4 a tin that does not burn has a flame; a true one is missed in 14 to 19 of 330 renders
WHITE_CODE, WHITE_SHARE = 240, 0.25  # a flame is white in all three colours; its mirror image in wax is the wax's hue

BLOWN_CODE = 250  # in all three colours: nothing shows there

AMPLE = 1.08
"""The first close look takes in this much more than the mouth that the whole photo showed, and a round one: through
clear glass the far net tends to take the wax for the mouth, and what lies outside the look cannot be found by it."""

_MIDDLE = (networks.NEAR_PX - 1) / 2


@dataclass(frozen=True, eq=False, kw_only=True)
class Closeup:
    """What the near net sees in the square, as maps (320, 320) 0 to 1, and the way from its pixels to the photo's.

    `matrix` (2, 2) and `centre` (2,): working pixel = centre + matrix @ (square pixel - middle).
    """

    mouth: FloatMap
    wax: FloatMap
    pool: FloatMap
    flame: FloatMap
    ball: FloatMap
    wick: FloatMap
    crumbs: FloatMap
    picture: NDArray[np.uint8]
    matrix: Array
    centre: Array
    samples: tuple[Array, Array, Array] | None = None  # see pose.py

    @property
    def px_per_radius(self) -> float:
        """Square pixels per rim radius."""
        return networks.NEAR_PX / 2 / networks.MARGIN

    def to_photo(self, square_px: ArrayLike) -> Array:
        """Working pixels (N, 2) of square pixels (N, 2)."""
        return (np.atleast_2d(square_px) - _MIDDLE) @ self.matrix.T + self.centre

    def to_square(self, photo_px: ArrayLike) -> Array:
        """Square pixels (N, 2) of working pixels (N, 2)."""
        return (np.atleast_2d(photo_px) - self.centre) @ np.linalg.inv(self.matrix).T + _MIDDLE

    @cached_property
    def bright_spots(self) -> list[tuple[int, bool, NDArray[np.bool_]]]:
        """(area px, whether it is only a mirror image, mask) of every region that looks like a flame, the largest
        first. In a dark picture no flame is white: then the largest is the flame."""
        labels, areas = regions(self.flame > FLAME_SURE)
        white = cv2.inRange(self.picture, (WHITE_CODE,) * 3, (255,) * 3) > 0
        spots = [(int(areas[k]), labels == k) for k in np.argsort(-areas) if areas[k]]
        dim = [float(white[mask].mean()) < WHITE_SHARE for _, mask in spots]
        return [(area, dim[k] and not (k == 0 and all(dim)), mask) for k, (area, mask) in enumerate(spots)]

    @property
    def wax_share(self) -> float:
        """Share of the mouth in which wax is seen, solid or liquid."""
        mouth = self.mouth > 0.5
        return float((mouth & (np.maximum(self.wax, self.pool) > 0.5)).sum()) / max(float(mouth.sum()), 1.0)

    @property
    def blown_share(self) -> float:
        """Share of the wax, flames aside, that is so bright that nothing shows in it."""
        wax = (np.maximum(self.wax, self.pool) > 0.5) & (self.flame < 0.3)
        blown = cv2.inRange(self.picture, (BLOWN_CODE,) * 3, (255,) * 3) > 0
        return float((blown & wax).sum()) / max(float(wax.sum()), 1.0)

    def inside(self, rim: Ellipse) -> NDArray[np.uint8]:
        """1 on the square's pixels inside a rim of the photo, else 0."""
        mask = np.zeros(self.mouth.shape, np.uint8)
        cv2.fillPoly(mask, [np.round(self.to_square(rim.points(180)) * 16).astype(np.int32)], 1, cv2.LINE_8, 4)
        return mask


def look_close(rgb: NDArray[np.uint8], rim: Ellipse) -> Closeup:
    """Cuts out the square that brings `rim` (working pixels) to the standard circle, and runs the near net on it."""
    matrix, centre = _square(rim)
    picture = _cut(rgb, matrix, centre)
    maps = dict(zip(MAPS, networks.run("near", picture), strict=True))
    return Closeup(**maps, picture=picture, matrix=matrix, centre=centre)


def look_amply(rgb: NDArray[np.uint8], mouth: Ellipse) -> Closeup:
    """The first close look at a mouth that the whole photo showed."""
    return look_close(rgb, Ellipse(mouth.cx, mouth.cy, AMPLE * mouth.a, AMPLE * mouth.a, 0.0))


def look_turned(close: Closeup) -> Closeup:
    """The same square with what the near net makes of it on average over four quarter turns: where it wavers, it errs
    another way each time."""
    turns = [np.rot90(networks.run("near", np.rot90(close.picture, k)), -k, (1, 2)) for k in (1, 2, 3)]
    seen_first = np.stack([getattr(close, name) for name in MAPS])
    mean = np.asarray(np.mean([seen_first, *turns], axis=0), np.float32)
    return replace(close, samples=None, **dict(zip(MAPS, mean, strict=True)))


def _square(rim: Ellipse) -> tuple[Array, Array]:
    """`matrix` and `centre` of the square in which `rim` is the standard circle."""
    c, s = np.cos(rim.angle_rad), np.sin(rim.angle_rad)
    turn = np.array([[c, -s], [s, c]])
    half = networks.NEAR_PX / 2 / networks.MARGIN
    return turn @ np.diag([rim.a, rim.b]) @ turn.T / half, np.array([rim.cx, rim.cy])


def _cut(rgb: NDArray[np.uint8], matrix: Array, centre: Array) -> NDArray[np.uint8]:
    """Resamples the square; a region that has to shrink is first reduced by whole pixels, so that nothing aliases."""
    px, step = networks.NEAR_PX, max(int(np.sqrt(abs(np.linalg.det(matrix)))), 1)
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * ((px + 1) / 2)
    reach = corners @ matrix.T + centre
    h, w = rgb.shape[:2]
    x0, y0 = (max(int(v), 0) for v in np.floor(reach.min(0)) - 2 * step)
    x1, y1 = int(min(np.ceil(reach[:, 0].max()) + 2 * step, w)), int(min(np.ceil(reach[:, 1].max()) + 2 * step, h))
    x1, y1 = x0 + max((x1 - x0) // step, 1) * step, y0 + max((y1 - y0) // step, 1) * step
    part = rgb[y0:y1, x0:x1]
    if step > 1:
        size, how = (part.shape[1] // step, part.shape[0] // step), cv2.INTER_AREA
        if step > 2:  # the same means, taken twice as fast
            part, how = np.asarray(cv2.blur(part, (step, step), anchor=(0, 0)), np.uint8), cv2.INTER_NEAREST
        part = np.asarray(cv2.resize(part, size, interpolation=how), np.uint8)
    linear = matrix / step
    at = (centre - [x0, y0] - (step - 1) / 2) / step
    affine = np.column_stack([linear, at - linear @ np.full(2, _MIDDLE)])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return np.asarray(cv2.warpAffine(part, affine, (px, px), flags=flags, borderMode=cv2.BORDER_REFLECT), np.uint8)
