"""Which of the candles in a photo is the one that is meant: the lit one, else the most central whole one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pooleye.top.closeup import look_amply
from pooleye.top.locate import Mouth, candles, choose_mouth, find_mouths
from pooleye.top.wick import count_flames

LOOKED_AT = 3  # the most central ones


def meant_mouth(rgb: NDArray[np.uint8]) -> tuple[Mouth, tuple[str, ...]]:
    """Its mouth, and a flag where there were several. Raises Declined where there is none, or where it is cut off."""
    mouths = find_mouths(rgb)
    likely = candles(mouths)
    if len(likely) > 1 and not any(mouth.lit for mouth in likely):
        mouths = _with_small_flames(rgb, likely)
    return choose_mouth(mouths)


def _with_small_flames(rgb: NDArray[np.uint8], likely: list[Mouth]) -> list[Mouth]:
    """A flame a few pixels wide does not show in the small picture of the whole photo, but in a close look."""
    near, others = likely[:LOOKED_AT], likely[LOOKED_AT:]
    return [replace(m, lit=count_flames(look_amply(rgb, m.ellipse)) > 0) for m in near] + others
