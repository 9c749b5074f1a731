"""The wick that sticks out of the wax, where no flame covers it: its foot, its tip and so its lean.

Seen from above a wick is a stadium: a disc, its thickness wide, drawn from the foot to the tip. The one is looked for
whose outline lies on the strongest edges of the picture, near the foot that the net sees and the tip that an upright
wick would have there. Shadows are as dark, but their edges are soft.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.optics.planes import VesselFrame

Array = NDArray[np.float64]
Patch = NDArray[np.float32]

LENGTH_MM, U_LENGTH_MM = 6.0, 2.0  # wicks are trimmed to 6 mm (common practice); burnt and untrimmed ones differ
U_END_MM = 0.45  # of the foot and of the tip (judged on rendered pictures)
FOOT_U_MM, TIP_U_MM = 0.9, 3.0  # how far the foot may be from the net's; how far the tip from upright (27 degrees)
RADII_MM, RADIUS_RANGE_MM = (0.6, 1.3), (0.3, 2.0)
FOOT_STEPS_MM, TIP_STEPS_MM = np.arange(-1, 2) * 0.8, np.arange(-3, 4) * 1.2
FINER_MM = ((0.4, 0.4), (0.3, 0.2), (0.2, 0.2), (0.1, 0.2))  # (step, blur)
COARSE_BLUR_MM = 0.4
REACH_MM = 12.0
WEAK = 0.5  # share of the best outline's mean edge that a further stretch of outline must have to count for it
SAMPLES = 24
GREY = np.array([0.3, 0.4, 0.3], np.float32)  # of red, green and blue: wicks differ from wax in any of them
_COS, _SIN = (f(np.arange(SAMPLES) * (2 * np.pi / SAMPLES)).astype(np.float32) for f in (np.cos, np.sin))
SIDES = 0.35  # cosine against the axis within which a sample lies on a straight side


@dataclass(frozen=True, eq=False)
class Stub:
    """Foot and tip in working pixels (2,); lean from the vessel's axis and its standard uncertainty."""

    foot_px: Array
    tip_px: Array
    lean_deg: float
    u_lean_deg: float


def find_stub(rgb: NDArray[np.uint8], foot_px: Array, frame: VesselFrame, depth_mm: float) -> Stub:
    """The wick whose foot the net sees at `foot_px`."""
    foot_mm = frame.to_plane(foot_px, depth_mm)[0]
    beside = frame.project([[*(foot_mm + step), -depth_mm] for step in ([0.0, 0.0], [1.0, 0.0], [0.0, 1.0])])
    px_per_mm = float(np.sqrt(abs(np.linalg.det(beside[1:] - beside[0]))))
    upright = frame.project([[*foot_mm, LENGTH_MM - depth_mm]])[0] - foot_px
    reach = int(REACH_MM * px_per_mm) + 3
    corner = np.round(foot_px) - reach
    middle = (float(corner[0]) + reach, float(corner[1]) + reach)
    patch = cv2.getRectSubPix(rgb, (2 * reach + 1, 2 * reach + 1), middle).astype(np.float32) @ GREY
    best = _fitted(patch, foot_px - corner, upright, px_per_mm)
    foot, tip = best[:2] + corner, best[2:4] + corner
    lean, *other = (lean_deg(foot, tip, frame, depth_mm, LENGTH_MM + by) for by in (0.0, -U_LENGTH_MM, U_LENGTH_MM))
    ends = float(np.degrees(np.sqrt(2) * U_END_MM / LENGTH_MM))  # a lean feels both ends over the wick's length
    return Stub(foot, tip, lean, float(np.hypot(ends, 0.5 * abs(other[0] - other[1]))))


def lean_deg(foot_px: Array, tip_px: Array, frame: VesselFrame, depth_mm: float, length_mm: float) -> float:
    """Lean from the vessel's axis of a straight wick of known length: how high on its line of sight the tip lies."""
    foot = frame.to_plane(foot_px, depth_mm)[0]
    level = frame.to_plane(tip_px, depth_mm)[0]
    out, per_mm = level - foot, frame.to_plane(tip_px, depth_mm - 1.0)[0] - level
    # |out + h per_mm|^2 + h^2 = length^2
    a, b, c = 1 + per_mm @ per_mm, out @ per_mm, out @ out - length_mm**2
    height = max((-b + np.sqrt(max(b * b - a * c, 0.0))) / a, 0.0)
    return float(np.degrees(np.arctan2(np.hypot(*(out + height * per_mm)), height)))


def _fitted(patch: Patch, foot: Array, upright: Array, px_per_mm: float) -> Array:
    """Foot, tip and radius (5,) of the best stadium, in pixels of the patch."""
    starts = np.stack(np.meshgrid(*[FOOT_STEPS_MM] * 2, *[TIP_STEPS_MM] * 2, RADII_MM, indexing="ij"), -1)
    tried = starts.reshape(-1, 5) * px_per_mm
    tried[:, 2:4] += tried[:, :2] + upright
    tried[:, :4] += np.tile(foot, 2)
    best = _best(patch, tried, foot, upright, px_per_mm, COARSE_BLUR_MM)
    around = np.stack(np.meshgrid(*[[-1.0, 0.0, 1.0]] * 5), -1).reshape(-1, 5) * [1, 1, 1, 1, 0.6]
    for step_mm, blur_mm in FINER_MM:
        tried = best + around * step_mm * px_per_mm
        tried[:, 4] = np.clip(tried[:, 4], *(np.array(RADIUS_RANGE_MM) * px_per_mm))
        best = _best(patch, tried, foot, upright, px_per_mm, blur_mm)
    return best


def _best(patch: Patch, tried: Array, foot: Array, upright: Array, px_per_mm: float, blur_mm: float) -> Array:
    """Of stadiums (N, 5), the one that explains most edge: mean edge above WEAK times length, and likely ends."""
    soft = np.asarray(cv2.GaussianBlur(patch, (0, 0), max(blur_mm * px_per_mm, 0.8)), np.float32)
    edge, length = _edge(soft, tried)
    off_foot = ((tried[:, :2] - foot) ** 2).sum(1) / (FOOT_U_MM * px_per_mm) ** 2
    off_tip = ((tried[:, 2:4] - tried[:, :2] - upright) ** 2).sum(1) / (TIP_U_MM * px_per_mm) ** 2
    explained = np.maximum(edge - WEAK * edge.max(), 0.0) * length
    return np.asarray(tried[int(np.argmax(explained * np.exp(-0.5 * (off_foot + off_tip))))])


def _edge(soft: Patch, tried: Array) -> tuple[Array, Array]:
    """Mean step across the outline and the outline's length, both (N,), of stadiums (N, 5)."""
    x, y, tip_x, tip_y, radius = tried.astype(np.float32).T[..., None]
    axis_x, axis_y = tip_x - x, tip_y - y
    along = np.hypot(axis_x, axis_y)
    unit_x, unit_y = axis_x / np.maximum(along, 1e-9), axis_y / np.maximum(along, 1e-9)
    cosine, sine = unit_x * _COS + unit_y * _SIN, unit_x * _SIN - unit_y * _COS
    share = 0.5 + 0.5 * np.clip(cosine / SIDES, -1, 1)  # 0: round the foot, 1: round the tip, between: on a side
    straight = (np.abs(cosine) < SIDES) & (along > 0.5)
    left = np.sign(sine)
    normal_x, normal_y = np.where(straight, -left * unit_y, _COS), np.where(straight, left * unit_x, _SIN)
    at_x, at_y = x + share * axis_x + radius * _COS, y + share * axis_y + radius * _SIN
    gradient = cv2.merge([cv2.Sobel(soft, cv2.CV_32F, dx, 1 - dx, scale=1 / 8) for dx in (1, 0)])
    slope = cv2.remap(gradient, at_x, at_y, cv2.INTER_LINEAR)
    step = np.abs(slope[..., 0] * normal_x + slope[..., 1] * normal_y)
    middle = np.partition(step, SAMPLES // 2, axis=1)[:, SAMPLES // 2, None]
    step = np.minimum(step, 1.5 * middle)  # a glint is no outline
    return step.mean(1), 2 * (np.pi * radius + along)[:, 0]
