"""How steadily the wall below the rim gets lighter with depth: the mark of soot, by plain arithmetic.

Soot is thickest at the rim and fades downward over a centimetre or two, so under it L* rises with depth. A clean wall
keeps its lightness or gets darker towards the wax; a reflection's edge is a step, not a fade. The measured thing is the
steady rise of L*, column by column; it does not depend on exposure, on how light falls round the clock, or on the turn
of the vessel. docs/method-soot.md has the derivation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.colour import linear_to_lightness
from pooleye.optics.planes import SECTORS
from pooleye.top.turn import Turn
from pooleye.top.wallband import BAND_MM, PER_SECTOR, Band

Array = NDArray[np.float64]

LAG_ROWS = 2
STEADY = 0.42  # quantile of a column's local rises: a step or a glint moves the median, hardly this
LEAST_TALL_PX = 4.0  # of the picture that a column must be tall
LEAST_ROWS = 6  # a fade cannot be told from the edges of a lower wall than this
STEEP_SHARE = 0.5
"""Mean darkening of the band over the rise of L* across it, beyond the ends of RISES_L. For soot fading out linearly at
depth D over a band b it is D / b - 1/2, that is 0.9 for the usual 14 mm, and D² / 2b², at most a half, for a coat that
ends within the band: a very steep rise is more likely such a one's."""
RISES_L = {
    "unsure": ((0.6, 0.0), (2.6, -2.4), (4.0, -4.6), (7.0, -7.8)),
    "quiet wall": ((0.4, 0.0), (1.5, -2.5), (3.0, -4.4), (7.0, -8.4)),
    "soot for sure": ((-1.5, 0.0), (0.0, -1.8), (7.0, -8.6)),
}
"""Rise of L* and the darkening read from it, at the ends of straight pieces. Clean walls darken slightly with depth, so
soot begins below a rise of zero; but some clean walls rise by a few L* (frosted glass), so small rises count little
unless the baseline photo shows that this wall rises nowhere, or soot is beyond doubt elsewhere in the picture. Judged
on rendered photos: of 12 clean ones 9 rise by 0.7 at most; those of a frosted glass by 0.4, 3.7 and 5.4."""
QUIET_L, QUIET_QUANTILE = 0.5, 0.9
LEAST_COLUMNS = 20  # of 72 with a rise, for a baseline to serve
LEAST_LIKENESS = 0.7  # rank correlation of the two photos' rises round the clock
BEYOND_DOUBT_L = -4.0
USUAL_RISE_L = 1.2  # expected of an unknown clean wall, to be on the safe side
BASELINE_TRUST, BASELINE_QUANTILE = 0.6, 0.75  # share of the clean photo's larger rises expected in another light
REACH_DEG = 28.0  # soot changes round the clock over about this much
ALONE, ALONE_L = 2.0, 4.0  # so: no sector fades more than twice as much as its darker neighbour, and this
PRIOR_U_L, U_SECTOR_L = 4.5, 1.5  # by how much a wall of which nothing is known may be darkened; u of a known sector


@dataclass(frozen=True, eq=False)
class _Expected:
    """What the clean wall is expected to do: rise of L* (SECTORS,), and whether its rises are next to none."""

    rise: Array
    quiet: bool


def read_fade(band: Band, clean: Band | None, light: Array, turn: Turn | None) -> tuple[Array, Array]:
    """Mean change of L* (SECTORS,) that goes with the wall's rise of L*, and u of it where too low a strip shows and
    the neighbours must speak (else 0). `clean` is the same vessel's band in its baseline photo, `light` (3,) what
    brings it to the photo's exposure and white."""
    rise = _by_sector(rise_of_lightness(_judged(band), band.depth_mm))
    reference = None if clean is None else _expected(clean, light, rise, turn)
    expected = reference or _Expected(np.full(SECTORS, USUAL_RISE_L), False)
    known = np.isfinite(rise)
    change = darkening(np.where(known, rise - expected.rise, -np.inf), expected.quiet)
    between, u = _from_neighbours(change, known)
    change = np.where(known, change, np.minimum(between, 0.0))
    darker = np.minimum(np.roll(change, 1), np.roll(change, -1))
    return np.maximum(change, ALONE * darker - ALONE_L), np.where(known, 0.0, u)


def _judged(band: Band, lightness: Array | None = None) -> Array:
    """L* down to BAND_MM; nan where unseen, below, and where the wall is seen so edge-on that its own edges blur over
    what there is of it. `lightness`: in another light."""
    counted = band.seen & (band.depth_mm < BAND_MM)[:, None]
    tall_px = counted.sum(0) * (band.depth_mm[1] - band.depth_mm[0]) * band.px_per_mm
    counted &= tall_px >= LEAST_TALL_PX
    return np.where(counted, band.lightness if lightness is None else lightness, np.nan)


def rise_of_lightness(lightness: Array, depth_mm: Array) -> Array:
    """Steady rise of L* (columns,) from the rim to BAND_MM below, of L* (rows, columns); nan where too few rows show.

    Somewhat below the median of the local rises: a fade rises everywhere, a step only somewhere.
    """
    local = (lightness[LAG_ROWS:] - lightness[:-LAG_ROWS]) / (depth_mm[LAG_ROWS] - depth_mm[0]) * BAND_MM
    enough = np.isfinite(lightness).sum(0) >= LEAST_ROWS
    return _quantile(local, STEADY, np.where(enough, LEAST_ROWS - LAG_ROWS, len(local) + 1))


def _quantile(values: Array, share: float, least: Array | int = 1) -> Array:
    """Quantile down each column of (N, columns), nan left out; nan where fewer than `least` are left."""
    ordered = np.sort(values, axis=0)  # nan last
    count = np.isfinite(values).sum(0)
    place = share * np.maximum(count - 1, 0)
    low, part = place.astype(int), place % 1.0
    column = np.arange(values.shape[1])
    above = np.minimum(low + 1, np.maximum(count - 1, 0))
    between = ordered[low, column] * (1 - part) + ordered[above, column] * part
    return np.where((count >= least) & (count > 0), between, np.nan)


def darkening(rise: Array, quiet: bool) -> Array:
    """Mean change of L* of the band that goes with a rise of L* across it; 0 for a clean wall's rises."""
    first = _read_off(rise, "quiet wall" if quiet else "unsure")
    return _read_off(rise, "soot for sure") if first.min() < BEYOND_DOUBT_L else first


def _read_off(rise: Array, table: str) -> Array:
    at, change = np.array(RISES_L[table]).T
    return np.asarray(np.interp(rise, at, change) - STEEP_SHARE * np.maximum(rise - at[-1], 0.0))


def _from_neighbours(change: Array, known: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Change and its u where a sector shows no fade of its own, from those that do: soot varies smoothly round the
    clock. Gaussian-process regression (Rasmussen & Williams 2006, section 2.2) with a mean of zero: no soot."""
    if not known.any():
        return np.zeros(SECTORS), np.full(SECTORS, PRIOR_U_L)
    clock = np.arange(SECTORS) * 360.0 / SECTORS
    apart = np.abs((clock[:, None] - clock + 180.0) % 360.0 - 180.0)
    prior = PRIOR_U_L**2 * np.exp(-0.5 * (apart / REACH_DEG) ** 2)
    gain = prior[:, known] @ np.linalg.inv(prior[np.ix_(known, known)] + U_SECTOR_L**2 * np.eye(int(known.sum())))
    left = PRIOR_U_L**2 - (gain * prior[:, known]).sum(1)
    return np.asarray(gain @ change[known]), np.sqrt(np.maximum(left, U_SECTOR_L**2))


def _expected(clean: Band, light: Array, here: Array, turn: Turn | None) -> _Expected | None:
    """What the clean wall would do in the photo's light; None where the baseline shows too little of it.

    With a known turn each sector takes its own from the baseline, if the two photos' rises go together at all; else
    the same number, the upper quartile of the baseline's, holds all round.
    """
    there = linear_to_lightness(np.clip(clean.linear * light, 0.0, 1.0))
    columns = rise_of_lightness(_judged(clean, there), clean.depth_mm)
    known = columns[np.isfinite(columns)]
    if len(known) < LEAST_COLUMNS:
        return None
    quiet = float(np.quantile(known, QUIET_QUANTILE)) <= QUIET_L
    everywhere = np.full(SECTORS, BASELINE_TRUST * max(float(np.quantile(known, BASELINE_QUANTILE)), 0.0))
    own = np.full(SECTORS, np.nan) if turn is None else _by_sector(turn.bring(columns))
    both = np.isfinite(own) & np.isfinite(here)
    if both.sum() < SECTORS // 2 or _rank_correlation(own[both], here[both]) < LEAST_LIKENESS:
        return _Expected(everywhere, quiet)
    return _Expected(np.where(np.isfinite(own), BASELINE_TRUST * np.maximum(own, 0.0), everywhere), quiet)


def _rank_correlation(a: Array, b: Array) -> float:
    ranks = [np.argsort(np.argsort(v)).astype(float) for v in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _by_sector(columns: Array) -> Array:
    """Median (SECTORS,) over a sector's columns of (columns,) or (rows, columns); nan where all are."""
    flat = np.atleast_2d(columns).reshape(-1, SECTORS, PER_SECTOR).transpose(0, 2, 1).reshape(-1, SECTORS)
    return _quantile(flat, 0.5)
