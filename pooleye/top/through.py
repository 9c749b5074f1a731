"""How much of a fade is not soot but the table, seen through clear glass.

The upper part of a clear wall shows more of the table behind it, the lower part more of the lit wax: where the table is
the darker of the two, the wall gets lighter with depth as if soot lay on it. Colour tells them apart. Soot darkens all
colours alike; the table mixes its own colour in. docs/method-soot.md has the derivation.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.planes import SECTORS
from pooleye.top.wallband import BAND_MM, BESIDE, PER_SECTOR, Band

Array = NDArray[np.float64]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
LEAST_ROWS, LEAST_FADE = 6, 0.1  # rows that a sector must show; fade (of the logarithm of light) worth explaining
COLOUR_U, COLOUR_SHARE = 0.08, 0.1
"""By how much the colour of a sooty wall drifts with depth for other reasons: standard deviation of the differences of
logarithms over BAND_MM, and what the fade itself adds. Measured on rendered sooty walls: 0.08 to 0.10 for fades of 0.15
to 0.5, up to 0.2 for those above 1.2."""
MOST = 1.5  # of a fade that one sector may say is explained


def seen_through(band: Band) -> float:
    """Share of the fades in the photo, 0 to 1, that the table explains: the mean over its sectors by their fade.

    In a small step of depth the logarithm of light c rises by a + b (1 - table_c / wall_c): a for soot, alike in all
    colours, b for less of the table. The differences between colours give b, drawn towards none by their noise.
    """
    rise, wall = _rises(band)
    table = np.median(band.rings[BESIDE].reshape(SECTORS, PER_SECTOR, 3), axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        without = 1 - table / wall
        share = wall * LUMINANCE / (wall @ LUMINANCE)[:, None]
        fade, darker = (share * rise).sum(1), (share * without).sum(1)
        drift, own = (v[:, ::2] - v[:, 1:2] for v in (rise, without))  # red and blue against green
        less = (drift * own).sum(1) / ((own**2).sum(1) + COLOUR_U**2 + (COLOUR_SHARE * fade) ** 2)
        explained = np.where((less > 0) & (darker > 0), np.clip(less * darker / fade, 0.0, MOST), 0.0)
        weight = np.where(np.isfinite(less) & (fade > LEAST_FADE), fade, 0.0)
    return min(float(weight @ explained / max(weight.sum(), 1e-9)), 1.0)


def _rises(band: Band) -> tuple[Array, Array]:
    """Rise over BAND_MM of the logarithm of light, and its mean level, (SECTORS, 3); nan where too few rows show."""
    judged = band.depth_mm < BAND_MM
    lit = np.where(band.seen[judged][..., None], np.log(np.maximum(band.linear[judged], 1e-4)), np.nan)
    rows = _median(lit.reshape(len(lit), SECTORS, PER_SECTOR, 3))
    known = np.isfinite(rows)
    count = known.sum(0)
    mean = np.where(known, rows, 0.0).sum(0) / np.maximum(count, 1)
    depth = np.where(known, band.depth_mm[judged][:, None, None], 0.0)
    away = np.where(known, depth - depth.sum(0) / np.maximum(count, 1), 0.0)
    slope = (away * np.where(known, rows, 0.0)).sum(0) / np.maximum((away**2).sum(0), 1e-9)
    return np.where(count >= LEAST_ROWS, slope * BAND_MM, np.nan), np.exp(mean)


def _median(values: Array) -> Array:
    """Median (rows, SECTORS, 3) over a sector's columns, nan left out; nan where all are."""
    known = np.isfinite(values).sum(2)
    ordered = np.sort(values, axis=2)  # nan last
    low, high = (np.maximum(known - 1 + k, 0) // 2 for k in (0, 1))
    pair = [np.take_along_axis(ordered, at[:, :, None], 2)[:, :, 0] for at in (low, high)]
    return np.asarray((pair[0] + pair[1]) / 2)
