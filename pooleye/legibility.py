"""Whether a picture, or better the part of it around the vessel, is good enough to measure in.

Each gate takes a region (height x width x 3, uint8, sRGB) so that it judges the vessel and not the table. The limits
were set on rendered phone photos and on copies of them that were darkened, brightened, blurred, shaken and made noisy
(`tests/test_legibility.py` holds both sides); they are no published figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined

if TYPE_CHECKING:
    from pooleye.photo import RgbImage

# Nine tenths of the region darker than this (sRGB code, about L* 17): the rim drowns in noise. Good photos have 190 and
# more, one with an eighth of the light 70.
DARK_CODE = 45.0
# A share of the region at the end of the scale in all channels: a flame and its glare take 0.03 of it, white wax in
# four times too much light 0.6.
CLIPPED_CODE, CLIPPED_SHARE = 250, 0.45
# Blur is judged with the region shrunk to this size; the vessel then has some 320 px, and 1 px is 0.3 % of it.
BLUR_SIZE_PX = 400
# In a sharp photo the blurriest direction has up to 1.1 px; as much blur again as a phone's own makes that 1.3 px. A
# lens out of focus by 1 % of the vessel's width gives 2 px and more, as does a shake by 4 % of it.
SOFT_PX, BLURRED_PX = 1.4, 1.75

SAMPLE_PX = 120  # exposure is judged by so many pixels across the shorter side, or a few more
FINE_PX, COARSE_PX = 1.0, 3.0  # the two scales compared
DIRECTIONS = 8
EDGES_PER_DIRECTION = 100  # the strongest; weak ones are noise
ENOUGH_EDGES = 8
SHARPEST_SHARE = 0.30  # soft things (pool, shadow) may be many, the rim must be among the sharpest
NO_EDGE_PX = 20.0  # said of a region without any edge


@dataclass(frozen=True)
class Exposure:
    """`bright_code`: the sRGB code (0 to 255) that nine tenths of the region stay below; `clipped`: share burnt out."""

    bright_code: float
    clipped: float


def exposure_of(region: RgbImage) -> Exposure:
    """How a region is exposed."""
    sample = _sample(region)
    grey = cv2.cvtColor(sample, cv2.COLOR_RGB2GRAY)
    burnt = cv2.inRange(sample, (CLIPPED_CODE,) * 3, (255,) * 3)
    return Exposure(_code_at(grey, 0.90), cv2.countNonZero(burnt) / burnt.size)


def blur_px(region: RgbImage) -> float:
    """Standard deviation of the blur in the blurriest direction, in pixels of the region shrunk to BLUR_SIZE_PX.

    A step edge blurred by s has, seen through a Gaussian of width t, a steepness in proportion to 1/sqrt(s² + t²); so
    the ratio R of its steepness at two widths gives s² = (t2² - R² t1²) / (R² - 1), whatever its contrast (the re-blur
    ratio of Zhuo and Sim, Pattern Recognition 44(9), 1852-1858, 2011). A rim has edges in all directions: out of focus
    all are soft, after a shake only those across it, hence the worst direction. Above 5 px: just very blurred.
    """
    grey = _shrunk(np.asarray(cv2.cvtColor(region, cv2.COLOR_RGB2GRAY), np.uint8)).astype(np.float32)
    fine = cv2.magnitude(*_slopes(grey, FINE_PX))
    slopes = _slopes(grey, COARSE_PX)
    coarse = cv2.magnitude(*slopes)
    edges = np.flatnonzero((coarse >= cv2.dilate(coarse, np.ones((7, 7), np.uint8))) & (coarse > 1.0))
    finest = cv2.dilate(fine, np.ones((3, 3), np.uint8))
    steepness, finest, along_x, along_y = (values.take(edges) for values in (coarse, finest, *slopes))
    ratio = finest / steepness
    widths = [
        _sharp_end(_blur_from_ratio(ratio[chosen]))
        for chosen in _strongest_by_direction(steepness, np.degrees(np.arctan2(along_y, along_x)) % 180)
        if len(chosen) >= ENOUGH_EDGES
    ]
    return max(widths, default=NO_EDGE_PX)


def check_picture(picture: RgbImage) -> None:
    """Raises Declined (too-dark, overexposed) for a whole picture in which no vessel could show, whatever its place.

    A lit candle in a dark room is mostly black and yet good, so only a picture without any bright or any unburnt part
    is refused here; `check_exposure` judges the vessel itself.
    """
    sample = _sample(picture)
    if _code_at(np.maximum.reduce(cv2.split(sample)), 0.99) < DARK_CODE:
        raise Declined("too-dark")
    if exposure_of(sample).clipped > 0.95:
        raise Declined("overexposed")


def check_exposure(region: RgbImage) -> None:
    """Raises Declined (too-dark, overexposed)."""
    exposure = exposure_of(region)
    if exposure.bright_code < DARK_CODE:
        raise Declined("too-dark")
    if exposure.clipped > CLIPPED_SHARE:
        raise Declined("overexposed")


def check_sharpness(region: RgbImage) -> tuple[str, ...]:
    """Raises Declined (blurred); else the flags that a soft region earns: ("slightly-blurred",) or none."""
    blur = blur_px(region)
    if blur > BLURRED_PX:
        raise Declined("blurred")
    return ("slightly-blurred",) if blur > SOFT_PX else ()


def _sample(region: RgbImage) -> RgbImage:
    """Every so many-th pixel: shares and percentiles need no more."""
    step = max(min(region.shape[:2]) // SAMPLE_PX, 1)
    return np.ascontiguousarray(region[::step, ::step])


def _code_at(codes: NDArray[Any], share: float) -> float:
    """The code that this share of the codes stay below or at."""
    at = int(share * (codes.size - 1))
    return float(np.partition(codes, at, axis=None)[at])


def _shrunk(grey: NDArray[np.uint8]) -> NDArray[np.uint8]:
    if max(grey.shape) >= 2 * BLUR_SIZE_PX:  # OpenCV halves much faster than it takes other means
        grey = np.asarray(cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2)), dtype=np.uint8)
    factor = BLUR_SIZE_PX / max(grey.shape)
    if factor >= 1:
        return grey
    return np.asarray(cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _slopes(grey: NDArray[np.float32], width_px: float) -> list[NDArray[np.float32]]:
    """The gradient along x and y, codes per pixel, after a Gaussian of this width."""
    smooth = cv2.GaussianBlur(grey, (0, 0), width_px)
    slopes = (cv2.Sobel(smooth, cv2.CV_32F, dx, 1 - dx, ksize=3, scale=1 / 8) for dx in (1, 0))
    return [np.asarray(slope, dtype=np.float32) for slope in slopes]


def _strongest_by_direction(strength: NDArray[Any], direction_deg: NDArray[Any]) -> list[NDArray[np.intp]]:
    """Indices of the strongest edges in each of DIRECTIONS overlapping sectors of the half circle."""
    step = 180 / DIRECTIONS
    away = [np.abs((direction_deg - k * step + 90) % 180 - 90) for k in range(DIRECTIONS)]
    sectors = [np.flatnonzero(angle <= step) for angle in away]
    return [sector[np.argsort(-strength[sector])[:EDGES_PER_DIRECTION]] for sector in sectors]


def _blur_from_ratio(ratio: NDArray[Any]) -> NDArray[np.float64]:
    """The formula of `blur_px`; 0 where sharpening makes the edge steeper than any blurred step can be."""
    squared = ratio.astype(np.float64) ** 2
    variance = (COARSE_PX**2 - squared * FINE_PX**2) / np.maximum(squared - 1, 1e-3)
    return np.sqrt(np.where(squared > 1.02, np.clip(variance, 0, NO_EDGE_PX**2), NO_EDGE_PX**2))


def _sharp_end(widths_px: NDArray[np.float64]) -> float:
    return float(np.sort(widths_px)[int(SHARPEST_SHARE * (len(widths_px) - 1))])
