"""Colour: sRGB to linear light, linear light to CIELAB, colour differences.

Sources: IEC 61966-2-1:1999 (sRGB transfer function and primaries); CIE 15 (L*a*b*, white D65 for the 2 degree
observer); Sharma, Wu & Dalal, Color Res. Appl. 30(1) 21-30, 2005 (CIEDE2000, computed by scikit-image).
Arrays hold red, green, blue in that order along the last axis.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

D65_WHITE_XYZ = np.array([0.95047, 1.0, 1.08883])
LINEAR_RGB_TO_XYZ = np.array(
    [
        [0.412453, 0.357580, 0.180423],
        [0.212671, 0.715160, 0.072169],
        [0.019334, 0.119193, 0.950227],
    ]
)
LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])
LSTAR_LINEAR_LIMIT = 216.0 / 24389.0
LSTAR_LINEAR_SLOPE = 24389.0 / 27.0


def srgb_to_linear(rgb: NDArray[np.uint8] | NDArray[np.uint16] | NDArray[np.floating]) -> NDArray[np.float32]:
    """Linear light in 0..1 as float32 of the same shape.

    Integers are read over their full range (uint8: 0..255, uint16: 0..65535), floats as 0..1 already.
    """
    if rgb.dtype in (np.uint8, np.uint16):
        return _decode_table(255 if rgb.dtype == np.uint8 else 65535)[rgb]
    if not np.issubdtype(rgb.dtype, np.floating):
        raise ValueError(f"pixels must be uint8, uint16 or float, got {rgb.dtype}")
    return _decode(rgb.astype(np.float64)).astype(np.float32)


def linear_to_srgb(linear: ArrayLike) -> NDArray[np.float64]:
    """sRGB code values in 0..1 from linear light; the inverse of `srgb_to_linear`, clipped to 0..1."""
    light = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(light <= 0.04045 / 12.92, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def relative_luminance(linear_rgb: ArrayLike) -> NDArray[np.float64]:
    """Y in 0..1 of linear RGB (..., 3); shape (...)."""
    return np.asarray(np.asarray(linear_rgb, dtype=np.float64) @ LUMINANCE_WEIGHTS)


def lightness(luminance: ArrayLike) -> NDArray[np.float64]:
    """CIE L* (0..100) of relative luminance; values below 0 count as 0."""
    y = np.maximum(np.asarray(luminance, dtype=np.float64), 0.0)
    return np.where(y > LSTAR_LINEAR_LIMIT, 116.0 * np.cbrt(y) - 16.0, LSTAR_LINEAR_SLOPE * y)


def linear_to_lightness(linear_rgb: ArrayLike) -> NDArray[np.float64]:
    """CIE L* of linear RGB (..., 3); shape (...)."""
    return lightness(relative_luminance(linear_rgb))


def linear_to_lab(linear_rgb: ArrayLike) -> NDArray[np.float64]:
    """CIELAB (L*, a*, b*) against D65 of linear RGB (..., 3); same shape."""
    xyz = np.asarray(linear_rgb, dtype=np.float64) @ LINEAR_RGB_TO_XYZ.T / D65_WHITE_XYZ
    f = np.where(xyz > LSTAR_LINEAR_LIMIT, np.cbrt(xyz), (LSTAR_LINEAR_SLOPE * xyz + 16.0) / 116.0)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116.0 * fy - 16.0, 500.0 * (fx - fy), 200.0 * (fy - fz)], axis=-1)


def delta_e_76(lab_1: ArrayLike, lab_2: ArrayLike) -> NDArray[np.float64]:
    """CIE 1976 colour difference: the straight distance in L*a*b*; shape (...)."""
    gap = np.asarray(lab_1, dtype=np.float64) - np.asarray(lab_2, dtype=np.float64)
    return np.asarray(np.sqrt((gap**2).sum(axis=-1)))


def delta_e_2000(lab_1: ArrayLike, lab_2: ArrayLike) -> NDArray[np.float64]:
    """CIEDE2000 colour difference with unit weights; shape (...)."""
    from skimage.color import deltaE_ciede2000

    first, second = np.asarray(lab_1, dtype=float), np.asarray(lab_2, dtype=float)
    return np.asarray(deltaE_ciede2000(first, second))  # type: ignore[no-untyped-call]


def _decode(code: NDArray[np.float64]) -> NDArray[np.float64]:
    """IEC 61966-2-1: code values in 0..1 to linear light."""
    return np.where(code <= 0.04045, code / 12.92, ((np.maximum(code, 0.0) + 0.055) / 1.055) ** 2.4)


@cache
def _decode_table(full_scale: int) -> NDArray[np.float32]:
    table = _decode(np.arange(full_scale + 1) / full_scale).astype(np.float32)
    table.setflags(write=False)
    return table
