"""Soot on the inner wall below the rim, by the clock.

What tells soot from shadow, glare and a dark table behind glass: it is thickest at the rim and fades downward over a
centimetre or two, so under it the wall gets steadily lighter with depth. A clean wall in its vessel keeps its lightness
or gets darker towards the wax; a reflection's edge is a step, not a fade. The measured thing is therefore the steady
rise of L* with depth, column by column of the unwrapped wall; it does not depend on exposure, on how light falls round
the clock, or on the turn of the vessel. docs/method-soot.md has the derivation, the evidence and the weak spots.
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
Flags = NDArray[np.bool_]

SOOTY_L = -3.0
LAG_ROWS = 2
STEADY = 0.35  # quantile of a column's local rises: a step or a glint moves the median, hardly this
LEAST_ROWS, LEAST_MM = 6, 4.6  # a fade cannot be told from the edges of a lower wall than this
LEAST_PX = 6.0  # of wall a sector must show to be spoken of at all
FADE_SHARE = 0.95
"""Mean darkening of the band over the rise of L* across it. For soot fading out linearly at depth D, over a band b:
D / b - 1/2, that is 0.9 for the usual 14 mm (8 to 18 mm in the rendered photos this was developed on)."""
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
PRIOR_U_L = 4.5  # by how much a wall of which nothing is known may be darkened
NET_TRUST = 0.1  # slope of true on mapped change of L*, for sectors that only the net speaks for
U_SECTOR_L, U_SHARE, U_NET_L = 1.5, 0.3, 4.0
U_MEAN_L = 0.9  # what all sectors have in common: the clean wall's own rise


@dataclass(frozen=True, eq=False)
class Soot:
    """Change of L* by soot: mean over the wall that shows, by clock sector (None: no wall shows), degrees of the wall
    that show, degrees that are sooty; standard uncertainties; share of the wall that was too low or too cut up to show
    a fade, for which only the near net speaks."""

    mean: float
    u_mean: float
    by_sector: list[float | None]
    u_by_sector: list[float | None]
    view_arc_deg: float
    arc_deg: float
    u_arc_deg: float
    net_only: float
    compared: bool  # whether the baseline photo showed enough of its wall to serve


@dataclass(frozen=True, eq=False)
class _Expected:
    """What the clean wall is expected to do: rise of L* (SECTORS,), and whether its rises are next to none."""

    rise: Array
    quiet: bool


def find_soot(band: Band, clean: Band | None = None, turn: Turn | None = None) -> Soot | None:
    """Soot in `band`; `clean` is the same vessel's band in its baseline photo. None where hardly any wall shows."""
    pixels = band.pixels.reshape(SECTORS, PER_SECTOR).sum(1)
    shown = pixels >= LEAST_PX
    if not shown.any():
        return None
    rise = _by_sector(rise_of_lightness(band.lightness, band.depth_mm))
    reference = None if clean is None else _expected(clean, band, rise, turn)
    expected = reference or _Expected(np.full(SECTORS, USUAL_RISE_L), False)
    faded = np.isfinite(rise)
    by_fade = darkening(np.where(faded, rise - expected.rise, -np.inf), expected.quiet)
    by_net = NET_TRUST * np.minimum(_by_sector(np.where(band.seen, band.soot_map, np.nan)), 0.0)
    between, u_between = _from_neighbours(by_fade, faded)
    change = np.where(faded, by_fade, np.minimum(between + np.nan_to_num(by_net), 0.0))
    u = np.where(faded, np.hypot(U_SECTOR_L, U_SHARE * change), u_between)
    weight = np.where(shown, pixels, 0.0) / pixels[shown].sum()
    mean = float(weight @ change)
    # sectors scatter on their own; the fade's scale and the clean wall's rise are common to all
    own = float(np.sqrt(weight**2 @ u**2))
    net_only = float(weight @ ~faded)
    arc, u_arc = _arc(change[shown], u[shown])
    return Soot(
        mean,
        float(np.sqrt(own**2 + U_MEAN_L**2 + (U_SHARE * mean) ** 2 + (U_NET_L * net_only) ** 2)),
        [float(c) if s else None for c, s in zip(change, shown, strict=True)],
        [float(c) if s else None for c, s in zip(u, shown, strict=True)],
        360.0 / SECTORS * float(shown.sum()),
        arc,
        u_arc,
        net_only,
        reference is not None,
    )


def rise_of_lightness(lightness: Array, depth_mm: Array) -> Array:
    """Steady rise of L* (columns,) from the rim to BAND_MM below, of L* (rows, columns); nan where too few rows show.

    The lower third of the local rises: a fade rises everywhere, a step only somewhere.
    """
    local = (lightness[LAG_ROWS:] - lightness[:-LAG_ROWS]) / (depth_mm[LAG_ROWS] - depth_mm[0]) * BAND_MM
    rows = np.isfinite(lightness).sum(0)
    span_mm = rows * (depth_mm[1] - depth_mm[0])
    enough = (rows >= LEAST_ROWS) & (span_mm >= LEAST_MM)
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
    return np.asarray(np.interp(rise, at, change) - FADE_SHARE * np.maximum(rise - at[-1], 0.0))


def _from_neighbours(change: Array, known: Flags) -> tuple[Array, Array]:
    """Change and its u where a sector shows no fade of its own, from those that do: soot varies smoothly round the
    clock. Gaussian-process regression (Rasmussen & Williams 2006, section 2.2) with a mean of zero: no soot."""
    if not known.any():
        return np.zeros(SECTORS), np.full(SECTORS, U_NET_L)
    clock = np.arange(SECTORS) * 360.0 / SECTORS
    apart = np.abs((clock[:, None] - clock + 180.0) % 360.0 - 180.0)
    prior = PRIOR_U_L**2 * np.exp(-0.5 * (apart / REACH_DEG) ** 2)
    gain = prior[:, known] @ np.linalg.inv(prior[np.ix_(known, known)] + U_SECTOR_L**2 * np.eye(int(known.sum())))
    left = PRIOR_U_L**2 - (gain * prior[:, known]).sum(1)
    return np.asarray(gain @ change[known]), np.sqrt(np.maximum(left, U_SECTOR_L**2))


def _expected(clean: Band, band: Band, here: Array, turn: Turn | None) -> _Expected | None:
    """What the clean wall would do in the light of `band`; None where the baseline shows too little of it.

    With a known turn each sector takes its own from the baseline, if the two photos' rises go together at all; else
    the same number, the upper quartile of the baseline's, holds all round.
    """
    there = linear_to_lightness(np.clip(clean.linear * common_light(clean, band), 0.0, 1.0))
    columns = rise_of_lightness(np.where(clean.seen, there, np.nan), clean.depth_mm)
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


def common_light(clean: Band, band: Band) -> Array:
    """Factor (3,) per channel that brings `clean` to the exposure and white of `band`.

    From what soot does not reach: the lip, and the wax where neither photo has a flame to light it from within.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        factors = [band.lip / clean.lip]
        if not (band.lit or clean.lit):
            factors.append(band.wax / clean.wax)
    good = [f for f in factors if np.isfinite(f).all() and (f > 0).all()]
    if not good:
        return np.ones(3)
    return np.asarray(np.clip(np.exp(np.mean(np.log(good), axis=0)), 0.1, 10.0))


def _rank_correlation(a: Array, b: Array) -> float:
    ranks = [np.argsort(np.argsort(v)).astype(float) for v in (a, b)]
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _by_sector(columns: Array) -> Array:
    """Median (SECTORS,) over a sector's columns of (columns,) or (rows, columns); nan where all are."""
    flat = np.atleast_2d(columns).reshape(-1, SECTORS, PER_SECTOR).transpose(0, 2, 1).reshape(-1, SECTORS)
    return _quantile(flat, 0.5)


def _arc(change: Array, u: Array) -> tuple[float, float]:
    """Degrees darker than SOOTY_L and their u, from how likely each sector is on either side of it."""
    width = 360.0 / SECTORS
    chance = 1 / (1 + np.exp(1.7 * (change - SOOTY_L) / u))  # logistic form of the normal distribution
    spread = width * float(np.sqrt((chance * (1 - chance)).sum()))
    return width * float((change < SOOTY_L).sum()), max(spread, 0.5 * width)
