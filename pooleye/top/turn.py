"""How far a round vessel was turned between two photos: a photo's clock is not the vessel's.

Two witnesses: the foot of a wick that does not stand in the middle, and marks on the lip or just outside of it (a seam,
a chip, a label's edge). Each says so with its uncertainty or not at all; where both speak they must agree.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.top.wallband import COLUMNS

Array = NDArray[np.float64]

FOOT_U_MM = 0.6  # of a wick's foot across the wax, in one photo
SAME_OFFSET_U = 2.5  # standard deviations by which the two offsets may differ before the wick itself has moved
WORST_U_DEG = 20.0  # a turn known less well than this does not help to compare sectors of 30°
MARK_SMOOTH_DEG, MARK_TREND_DEG = 3, 41
LEAST_MATCH, LEAST_LEAD = 0.55, 0.15
APART_DEG = 12
MARKS_U_DEG = 2.5


@dataclass(frozen=True)
class Turn:
    """The vessel stands `deg` further clockwise in the photo than in the baseline; standard uncertainty `u_deg`."""

    deg: float
    u_deg: float

    def bring(self, columns: Array) -> Array:
        """Values by clock column (COLUMNS,) of the baseline, at the clock they have in the photo; nan stays nan."""
        width = 360.0 / COLUMNS
        return np.roll(columns, round(self.deg / width))


def agreed(by_foot: Turn | None, by_marks: Turn | None) -> Turn | None:
    """The surer of two witnesses; None where neither speaks or they contradict each other."""
    if by_foot is None or by_marks is None:
        return by_foot or by_marks
    apart = abs(_signed_deg(by_foot.deg - by_marks.deg))
    if apart > 3 * math.hypot(by_foot.u_deg, by_marks.u_deg):
        return None
    return min(by_foot, by_marks, key=lambda turn: turn.u_deg)


def turn_by_wick(foot_mm: Array, before_mm: Array) -> Turn | None:
    """From feet (2,) in the wax plane, x right and y up in the picture.

    None for a wick so near the axis that its direction says nothing, or one that has itself moved."""
    now, before = math.hypot(*foot_mm), math.hypot(*before_mm)
    if abs(now - before) > SAME_OFFSET_U * math.sqrt(2) * FOOT_U_MM:
        return None
    u = math.degrees(math.sqrt(2) * FOOT_U_MM / max((now + before) / 2, 1e-6))
    if u > WORST_U_DEG:
        return None
    clockwise = math.degrees(math.atan2(foot_mm[0], foot_mm[1]) - math.atan2(before_mm[0], before_mm[1]))
    return Turn(_signed_deg(clockwise), u)


def turn_by_marks(marks: Array, before: Array) -> Turn | None:
    """From the lip's lightness by degree (360,), clockwise from up: where its small-scale pattern fits best, if it fits
    well and nowhere else nearly as well.

    Light and shade round the clock are broad and stay with the room: they are taken out first.
    """
    now, then = _detail(marks), _detail(before)
    scale = float(np.sqrt((now**2).sum() * (then**2).sum()))
    if scale <= 0:
        return None
    match = np.fft.irfft(np.fft.rfft(now) * np.conj(np.fft.rfft(then)), len(now)) / scale
    best = int(np.argmax(match))
    away = np.abs((np.arange(len(match)) - best + 180) % 360 - 180) > APART_DEG
    if match[best] < LEAST_MATCH or match[best] - match[away].max() < LEAST_LEAD:
        return None
    return Turn(_signed_deg(best), MARKS_U_DEG)


def _detail(marks: Array) -> Array:
    """Between a smoothing of a few degrees and a running mean of some forty."""
    return _running_mean(marks, MARK_SMOOTH_DEG) - _running_mean(marks, MARK_TREND_DEG)


def _running_mean(values: Array, width: int) -> Array:
    kernel = np.zeros(len(values))
    kernel[:width] = 1 / width
    smooth = np.fft.irfft(np.fft.rfft(values) * np.fft.rfft(kernel), len(values))
    return np.asarray(np.roll(smooth, -(width // 2)))


def _signed_deg(angle: float) -> float:
    """The same angle in [-180, 180)."""
    return (angle + 180.0) % 360.0 - 180.0
