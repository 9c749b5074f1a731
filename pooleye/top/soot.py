"""Soot on the inner wall below the rim, by the clock.

The near net gives for every pixel how much darker soot makes it (it was trained on pairs of the same picture with and
without soot). The wall's pixels, from the rim to ten millimetres below it or to the wax, are averaged by sector.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import SECTORS, VesselFrame
from pooleye.top.closeup import Closeup
from pooleye.top.sightlines import sightlines

Array = NDArray[np.float64]

BAND_MM = 10.0
SOOTY_L = -3.0
LEAST_PX = 12  # pixels of wall a sector must show
GRID_PX = 2


@dataclass(frozen=True, eq=False)
class Soot:
    """Change of L* by soot: mean over the wall that shows, by clock sector (None: no wall shows), degrees of the wall
    that show, and degrees that are sooty."""

    mean: float
    by_sector: list[float | None]
    view_arc_deg: float
    arc_deg: float


def find_soot(close: Closeup, rim: Ellipse, frame: VesselFrame, wax_line_mm: float) -> Soot | None:
    """Soot on the wall above the wax line; None where hardly any wall shows."""
    grid = np.arange(GRID_PX // 2, close.soot.shape[0], GRID_PX)
    px = np.stack(np.meshgrid(grid, grid), -1).reshape(-1, 2)
    lines = sightlines(frame, close.to_photo(px))
    wall = lines.through & (lines.wall_depth_mm < min(BAND_MM, wax_line_mm)) & (close.flame[px[:, 1], px[:, 0]] < 0.3)
    if wall.sum() < 3 * LEAST_PX:
        return None
    change = np.minimum(close.soot[px[wall, 1], px[wall, 0]].astype(float), 0.0)
    azimuth = lines.wall_azimuth()[wall]
    sector = frame.sector_of_azimuth(azimuth)
    shown = [change[sector == k] for k in range(SECTORS)]
    means = [float(v.mean()) if len(v) >= LEAST_PX else None for v in shown]
    known = [m for m in means if m is not None]
    if not known:
        return None
    width = 360.0 / SECTORS
    return Soot(float(change.mean()), means, width * len(known), width * sum(m < SOOTY_L for m in known))
