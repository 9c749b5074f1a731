"""Visible smoke above a flame: a thin, swaying, mostly dark streak that starts at the tip.

The facing view above the tip is compared with its own surroundings row by row; from the tip upwards the path of the
strongest streak is followed (dynamic programming, Bellman 1957). Its opacity is 1 - (light along the path / light
beside it), in linear light. Paths that start where no flame is give what the background alone makes of such a
search: their mean is taken off, their scatter is the uncertainty. Where that is large the background forbids an
answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.photo import SRGB_TO_LINEAR
from pooleye.side.facing import FacingView

Array = NDArray[np.float64]

START_MM, REACH_MM, MIN_REACH_MM = 2.5, 45.0, 12.0
NEAR_MM = 20.0  # the part next to the flame, which the strength is about
CELL_MM, ROW_MM = 0.5, 1.0  # a streak leans by no more than one cell per row, 27 degrees
AROUND_MM = 4.0
RIM_MM, DRIFT = 2.0, 0.1  # above the rim; how far smoke has gone aside per height on its way there
START_WITHIN_MM = 1.6
CONTROLS_FROM_MM = 11.0  # no path from so far away reaches the streak
HALF_WIDTH_MM = 32.0  # of the view that this needs
# The contract counts a strength above 0.15 as seen; judged: a streak is noticed at a glance from an opacity of 6 % on.
STRENGTH_PER_OPACITY = 2.5
CANNOT_TELL_U = 0.12
FLOOR_U = 0.03


@dataclass(frozen=True)
class Smoke:
    """Strength (0 to 1, see STRENGTH_PER_OPACITY) and its standard uncertainty, in parts."""

    strength: float
    u_background: float
    u_model: float


def smoke_above(view: FacingView, tip_x_mm: float, tip_mm: float, rim_mm: float) -> Smoke | None:
    """Smoke above the tip, or None where the picture ends too soon or the background forbids an answer. What lies below
    the highest point of the rim, `rim_mm`, shows images in glass and is passed over."""
    start_mm = max(tip_mm + START_MM, rim_mm + RIM_MM)
    opacity, x = _opacity_cells(view, start_mm)
    if opacity is None or len(opacity) * ROW_MM < MIN_REACH_MM:
        return None
    drift_mm = DRIFT * (start_mm - tip_mm - START_MM)
    at_tip = np.abs(x - tip_x_mm) <= START_WITHIN_MM + drift_mm
    elsewhere = np.abs(x - tip_x_mm) >= CONTROLS_FROM_MM
    if not at_tip.any() or elsewhere.sum() < 12:
        return None
    paths = _path_opacities(opacity)
    found, controls = float(paths[at_tip].max()), paths[elsewhere]
    scatter = float(1.4826 * np.median(np.abs(controls - np.median(controls))))
    scatter = STRENGTH_PER_OPACITY * max(scatter, float(np.percentile(controls, 95) - np.median(controls)) / 2)
    if scatter > CANNOT_TELL_U:
        return None
    strength = float(np.clip(STRENGTH_PER_OPACITY * (found - np.median(controls)), 0.0, 1.0))
    return Smoke(strength, scatter, FLOOR_U + 0.25 * strength)


def _opacity_cells(view: FacingView, start_mm: float) -> tuple[Array | None, Array]:
    """Opacity against the surroundings in cells of CELL_MM by ROW_MM, rows upwards from the start,
    and the cells' x."""
    low, high = view.row_of(start_mm), view.row_of(start_mm + REACH_MM)
    usable = view.inside[high:low].all(axis=1) if low > high else np.zeros(0, bool)
    if not usable.any():
        return None, np.empty(0)
    high += int(np.argmax(usable))
    light = cv2.transform(cv2.LUT(view.rgb[high:low], SRGB_TO_LINEAR), np.full((1, 3), 1 / 3))
    rows = max(round((low - high) * view.mm_per_px / ROW_MM), 1)
    columns = max(round(light.shape[1] * view.mm_per_px / CELL_MM), 1)
    cells = cv2.resize(light, (columns, rows), interpolation=cv2.INTER_AREA)[::-1]
    streak = cv2.blur(cells, (1, 2))
    reach = round(AROUND_MM / CELL_MM)
    left, right = np.roll(streak, reach, axis=1), np.roll(streak, -reach, axis=1)
    beside = (left + right) / 2
    # a streak is darker (or paler) than both sides; an edge is between them
    darker = 1 - streak / np.maximum(np.minimum(left, right), 1e-3)
    paler = (streak - np.maximum(left, right)) / np.maximum(1 - np.minimum(beside, 0.95), 0.05)
    opacity = np.where(darker > 0, darker, np.where(paler > 0, -paler, 0.0))
    inner = slice(reach, columns - reach)
    x = view.left_mm + (np.arange(columns) + 0.5) * CELL_MM
    return np.asarray(opacity[:, inner], dtype=np.float64), x[inner]


def _path_opacities(opacity: Array) -> Array:
    """For each column to start from, the mean opacity of the strongest path through the first NEAR_MM, dark or pale."""
    near = min(round(NEAR_MM / ROW_MM), len(opacity))
    sums = [_best_sums(np.maximum(sign * opacity[:near], -0.05)) for sign in (1.0, -1.0)]
    return np.asarray(np.maximum(*sums) / near)


def _best_sums(gain: Array) -> Array:
    """Largest sum from each column of the first row over paths that move by at most one column per row."""
    total = gain[-1:]
    for row in gain[-2::-1]:
        total = cv2.dilate(total, np.ones((1, 3), np.uint8)) + row
    return np.asarray(total[0])
