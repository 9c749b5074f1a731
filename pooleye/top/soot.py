"""Soot on the inner wall below the rim, by the clock.

What tells soot from shadow, glare and a dark table behind glass is its form and its colour: thickest at the rim, fading
downward over a centimetre or two, smooth round the clock, darkening all colours alike. A small network reads it off the
unwrapped wall; it is shown the light around the wall too, wax, lip and table, which a clear wall mirrors and lets
through, and the wall in the baseline photo. Where it is unsure, plain arithmetic on how L* rises with depth
(pooleye.top.fade) is heard as well. docs/method-soot.md has the evidence and the weak spots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.colour import linear_to_lab
from pooleye.optics.planes import SECTORS
from pooleye.top import networks
from pooleye.top.fade import read_fade
from pooleye.top.turn import Turn
from pooleye.top.wallband import DEPTH_MM, JUDGED_ROWS, PER_SECTOR, ROW_MM, ROWS, Band

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Shown = NDArray[np.float32]

SOOTY_L = -3.0
LEAST_PX = 4.0  # of wall a sector must show to be spoken of at all
CHANNELS = 9  # of one photo
LEAST_SEEN = 120  # cells of ROWS x COLUMNS that a baseline must show to serve
FORM, TIMID, FADE, DOUBT_L = 1.05, 0.25, 0.25, 3.0
"""The network's reading counts FORM times, less TIMID of its own scale; the fade FADE times where the network may be
wrong by DOUBT_L or more, else less. Chosen on rendered photos among a coarse grid (docs/method-soot.md)."""
SCATTER = 1.4  # of the network's own scale: errors on renders kept apart (docs/method-soot.md)
U_LEAST_L, U_SHARE = 0.7, 0.15  # what no photo is free of; how far a coat's tone may be off
LOW_MM = 4.6  # a fade cannot be told from the edges of a lower wall than this


@dataclass(frozen=True, eq=False)
class Soot:
    """Change of L* by soot: mean over the wall that shows, by clock sector (None: no wall shows), degrees of the wall
    that show, degrees that are sooty; standard uncertainties; share of the wall that is too low to show a fade well."""

    mean: float
    u_mean: float
    by_sector: list[float | None]
    u_by_sector: list[float | None]
    view_arc_deg: float
    arc_deg: float
    u_arc_deg: float
    low: float
    compared: bool  # whether the baseline photo showed enough of its wall to serve


def find_soot(band: Band, clean: Band | None = None, turn: Turn | None = None) -> Soot | None:
    """Soot in `band`; `clean` is the same vessel's band in its baseline photo. None where hardly any wall shows."""
    pixels = band.pixels.reshape(SECTORS, PER_SECTOR).sum(1)
    shown = pixels >= LEAST_PX
    if not shown.any() or not band.seen[:JUDGED_ROWS].any():
        return None
    compared = clean is not None and int(clean.seen.sum()) >= LEAST_SEEN
    change, scale = networks.run_on("wall", as_seen(band, clean if compared else None, turn))
    weight = np.maximum(band.pixels, 1e-3).reshape(SECTORS, PER_SECTOR)
    weight = weight / weight.sum(1, keepdims=True)
    by_form, doubt = ((weight * values.reshape(SECTORS, -1)).sum(1) for values in (change, scale))
    by_fade, u_fade = read_fade(band, clean, turn)
    fade = FADE * np.clip((doubt - by_form) / DOUBT_L, 0.0, 1.0)
    by_sector = FORM * np.minimum(by_form + TIMID * doubt, 0.0) + fade * by_fade
    u = np.sqrt(U_LEAST_L**2 + (SCATTER * doubt) ** 2 + (fade * u_fade) ** 2 + (U_SHARE * by_sector) ** 2)
    tall = band.seen[:JUDGED_ROWS].sum(0) * ROW_MM >= LOW_MM
    low = float((band.pixels * ~tall).sum() / band.pixels.sum())
    return summed_up(by_sector, u, np.where(shown, pixels, 0.0), compared, low)


def summed_up(change: Array, u: Array, weight: Array, compared: bool, low: float = 0.0) -> Soot:
    """From change and u by sector and the wall that each shows (0: none)."""
    shown = weight > 0
    share = weight / weight.sum()
    arc, u_arc = _arc(change[shown], u[shown])
    # neighbours err together: between independent and fully alike
    together = float(
        np.sqrt(float(share @ np.where(shown, u, 0.0)) * float(np.sqrt(share**2 @ np.where(shown, u, 0.0) ** 2)))
    )
    return Soot(
        float(share @ np.where(shown, change, 0.0)),
        together,
        [float(c) if s else None for c, s in zip(change, shown, strict=True)],
        [float(c) if s else None for c, s in zip(u, shown, strict=True)],
        360.0 / SECTORS * float(shown.sum()),
        arc,
        u_arc,
        low,
        compared,
    )


def as_seen(band: Band, clean: Band | None, turn: Turn | None) -> Shown:
    """What the network is shown, (2 * CHANNELS + 4, ROWS + rings, COLUMNS): the photo, the baseline turned to the
    photo's clock, and whether a flame burns in either, there is a baseline, and its turn is known."""
    now = one_photo(band.linear, band.seen, band.around, band.px_per_mm)
    before, lit = np.zeros_like(now), 0.0
    if clean is not None:
        before, lit = one_photo(clean.linear, clean.seen, clean.around, clean.px_per_mm), float(clean.lit)
        before = before if turn is None else turn.bring(before)
    told = (band.lit, lit, clean is not None, clean is not None and turn is not None)
    return np.concatenate([now, before, np.broadcast_to(np.reshape(told, (4, 1, 1)), (4, *now.shape[1:]))]).astype(
        np.float32
    )


def one_photo(linear: Array, seen: Flags, around: Array, px_per_mm: Array) -> Array:
    """(..., CHANNELS, ROWS + rings, COLUMNS): L*, a*, b* against the mean of the wall, what is seen, depth, resolution,
    and that mean. Of (..., ROWS, COLUMNS, 3) and so on."""
    known = np.concatenate([seen, (around > 0).any(-1)], -2)
    lab = linear_to_lab(np.concatenate([linear, around], -3))
    wall = (
        np.where(seen[..., None], lab[..., :ROWS, :, :], 0.0).sum((-3, -2))
        / np.maximum(seen.sum((-2, -1)), 1)[..., None]
    )
    shown = np.zeros((*known.shape[:-2], CHANNELS, *known.shape[-2:]))
    shown[..., :3, :, :] = np.moveaxis(np.where(known[..., None], (lab - wall[..., None, None, :]) / 20, 0.0), -1, -3)
    shown[..., 3, :, :] = known
    shown[..., 4, :ROWS, :] = DEPTH_MM[:, None] / 20
    shown[..., 5, :, :] = px_per_mm[..., None, :] / 5
    shown[..., 6:, :, :] = ((wall - [50, 0, 0]) / 30)[..., None, None]
    return shown


def _arc(change: Array, u: Array) -> tuple[float, float]:
    """Degrees darker than SOOTY_L and their u, from how likely each sector is on either side of it."""
    width = 360.0 / SECTORS
    chance = 1 / (
        1 + np.exp(np.clip(1.7 * (change - SOOTY_L) / u, -50, 50))
    )  # logistic form of the normal distribution
    spread = width * float(np.sqrt((chance * (1 - chance)).sum()))
    return width * float((change < SOOTY_L).sum()), max(spread, 0.5 * width)
