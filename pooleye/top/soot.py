"""Soot on the inner wall below the rim, by the clock.

What tells soot from shadow, glare and a dark table behind glass is its form: thickest at the rim, fading downward over
a centimetre or two, smooth round the clock; shadows and reflections have edges, and go on below. Two readers look for
it on the unwrapped wall: plain arithmetic on how L* rises with depth (pooleye.top.fade), and a small network that has
learnt the form from clean walls on which soot was laid by physics, light times one minus opacity. They err in different
ways, and each is timid on its own. docs/method-soot.md has the evidence and the weak spots.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.colour import linear_to_lab, linear_to_lightness
from pooleye.optics.planes import SECTORS
from pooleye.top import networks
from pooleye.top.fade import read_fade
from pooleye.top.through import seen_through
from pooleye.top.turn import Turn
from pooleye.top.wallband import BAND_MM, COLUMNS, PER_SECTOR, RINGS, ROWS, Band

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

NO_CHANGE = np.ones(3)
SOOTY_L = -3.0
LEAST_PX = 4.0  # of wall a sector must show to be spoken of at all
FORM, FADE = 0.6, 0.6
"""Weights of the network and of the fade. Each draws unsure soot towards none, so together they count for more than
their mean. Chosen among a grid of tenths; neighbouring choices do as well (docs/method-soot.md has on which photos)."""
CHANNELS, LEAST_COLUMNS = 9, 6  # columns that a row of the baseline must show to count
LEAST_ROWS = 6  # a baseline that shows less of its wall does not serve
SCATTER = 1.0  # of the network's own scale: errors on rendered photos kept apart (docs/method-soot.md)
U_LEAST_L, U_SHARE = 0.7, 0.15  # what no photo is free of; how far a coat's tone may be off
U_NOTHING_L = 6.0  # by how much a wall of which nothing is known may be darkened
DOUBT_L, HEARD_LEAST = 3.0, 0.4  # where the network is surer than this of no soot, a rise counts for less
U_THROUGH = 0.5  # of what is taken for the table, seen through glass
APART = 0.5  # of what the two readers differ by
FAR_U_L = 1.5  # for each column between a sliver of wall and the nearest one that could be read
LOW_MM = 4.6  # neither a fade nor a form can be told from the edges of a lower wall than this


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
    readable: Flags = np.any(band.seen & (band.depth_mm < BAND_MM)[:, None], axis=0)
    if not shown.any() or not readable.any():
        return None
    light = NO_CHANGE if clean is None else common_light(clean, band)
    profile = None if clean is None else clean_profile(clean, light)
    change, scale = networks.run_on("wall", as_seen(band, profile))
    nearest, away = _nearest(readable)
    weight = np.maximum(band.pixels, 1e-3).reshape(SECTORS, PER_SECTOR)
    weight = weight / weight.sum(1, keepdims=True)
    tall_mm = band.seen.sum(0) * float(band.depth_mm[1] - band.depth_mm[0])
    change = change * np.clip(tall_mm / LOW_MM, 0.0, 1.0) ** 2
    by_form = (weight * change[nearest].reshape(SECTORS, -1)).sum(1)
    by_fade, u_fade = read_fade(band, clean, light, turn)
    doubt = (weight * (scale[nearest] + FAR_U_L * away).reshape(SECTORS, -1)).sum(1)
    heard = np.clip((doubt - by_form) / DOUBT_L, HEARD_LEAST, 1.0)
    told = FORM * by_form + FADE * heard * by_fade
    through = seen_through(band)
    by_sector, tone = (1 - through) * told, (U_SHARE + U_THROUGH * through) * told
    spread, apart = np.minimum(SCATTER * doubt, U_NOTHING_L), APART * (by_fade - by_form)
    u = np.sqrt(U_LEAST_L**2 + spread**2 + apart**2 + (FADE * heard * u_fade) ** 2 + tone**2)
    low = float((band.pixels * (tall_mm < LOW_MM)).sum() / band.pixels.sum())
    return summed_up(by_sector, u, np.where(shown, pixels, 0.0), profile is not None, low)


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


def as_seen(band: Band, profile: tuple[Array, Flags] | None) -> NDArray[np.float32]:
    """What the network is shown, (CHANNELS, ROWS + RINGS, COLUMNS): L*, a*, b* against the wall's middle, what is seen,
    depth, resolution, the clean wall's profile and where it is known, whether a flame burns; below the wall the rings,
    of which only the first four are told."""
    lab = linear_to_lab(band.linear)
    middle = np.median(lab[band.seen], axis=0)
    shown = np.zeros((CHANNELS, ROWS + len(RINGS), COLUMNS), np.float32)
    wall, rings = shown[:, :ROWS], shown[:4, ROWS:]
    wall[:3] = np.where(band.seen[..., None], (lab - middle) / 10, 0.0).transpose(2, 0, 1)
    wall[3] = band.seen
    wall[4] = band.depth_mm[:, None] / 10
    wall[5] = band.px_per_mm / 5
    if profile is not None:
        wall[6], wall[7] = profile[0][:, None], profile[1][:, None]
    wall[8] = band.lit
    known: Flags = np.isfinite(band.rings.sum(-1))
    around = linear_to_lab(np.where(known[..., None], band.rings, 0.5))
    rings[:3] = np.where(known[..., None], (around - middle) / 10, 0.0).transpose(2, 0, 1)
    rings[3] = known
    return shown


def clean_profile(clean: Band, light: Array) -> tuple[Array, Flags] | None:
    """How L* / 10 of the clean wall runs with depth (ROWS,), its median round the clock, about its own middle, and
    where it is known: the same however the vessel was turned. None where too little of the wall shows."""
    lightness = linear_to_lightness(np.clip(clean.linear * light, 0.0, 1.0))
    known = clean.seen.sum(1) >= LEAST_COLUMNS
    if known.sum() < LEAST_ROWS:
        return None
    profile = np.array(
        [np.median(row[seen]) if seen.any() else 0.0 for row, seen in zip(lightness, clean.seen, strict=True)]
    )
    return np.where(known, (profile - np.median(profile[known])) / 10, 0.0), known


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


def _nearest(readable: Flags) -> tuple[NDArray[np.intp], Array]:
    """For every column the nearest readable one round the clock, and how many columns away it is."""
    at = np.arange(COLUMNS)
    known = np.flatnonzero(readable)
    apart = np.abs((at[:, None] - known + COLUMNS // 2) % COLUMNS - COLUMNS // 2)
    return known[apart.argmin(1)], apart.min(1).astype(float)


def _arc(change: Array, u: Array) -> tuple[float, float]:
    """Degrees darker than SOOTY_L and their u, from how likely each sector is on either side of it."""
    width = 360.0 / SECTORS
    chance = 1 / (
        1 + np.exp(np.clip(1.7 * (change - SOOTY_L) / u, -50, 50))
    )  # logistic form of the normal distribution
    spread = width * float(np.sqrt((chance * (1 - chance)).sum()))
    return width * float((change < SOOTY_L).sum()), max(spread, 0.5 * width)
