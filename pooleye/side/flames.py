"""The flames of one vessel, the main one first: bright bodies that are shaped and placed like flames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pooleye.photo import RgbImage
from pooleye.side.facing import FINEST_MM, FacingView
from pooleye.side.flame import Body, flame_bodies
from pooleye.side.pose import SidePose

Array = NDArray[np.float64]

HIGHEST_FLAME_MM = 110.0  # above the rim; the limit of the fire-safety standards is 75 mm in all
BELOW_POOL_MM = 7.0
FOOT_OVER_POOL_MM = 13.0  # judged: a flame's bright part begins 4 to 12 mm above what it burns on
SAME_PLATEAU_CODES = 5.0
SHARE_OF_MAIN = 0.5  # of its length that a further flame has at least
APART_MM = 4.0
SOFTER_MM = 0.8  # flames in one picture are about equally sharp; light on wax is soft
SHINES_CODE = 244.0  # judged: rendered flames have 252 and more, white letters and glints in a real photo less than 244
WARM_CODES = (
    12.0  # judged: 24 to 99 on rendered flames, 85 and 153 on two real ones; mirrored lamps and letters -2 to 7
)
SLENDER, THIN_MM = 0.07, 1.0  # a streak of light on a wall is thinner; flames are a fifth to a third as wide as high
TAPER = 0.85  # the top is narrower than the widest place by this at least


@dataclass(frozen=True, eq=False)
class Flames:
    """Bodies, the main flame first; the view they were found in; heights between which the rim may glow in that view,
    and the height at which the front of the rim crosses it."""

    bodies: list[Body]
    view: FacingView
    lip_mm: tuple[float, float]
    front_lip_mm: float


def flames_of(
    rgb: RgbImage, pose: SidePose, inner_radius_mm: float, pool_mm: float | None, finest_mm: float = FINEST_MM
) -> Flames:
    """Looks for flames between the wax and well above the rim, over the whole width of the mouth."""
    height = pose.frustum.height_mm
    low = max(0.1 * height, (0.3 * height if pool_mm is None else pool_mm) - BELOW_POOL_MM)
    view = FacingView.of(rgb, pose, inner_radius_mm, low, height + HIGHEST_FLAME_MM, finest_mm)
    front, back = pose.on_axis_plane_mm(pose.poses.circle_px(height, np.array([0.0, np.pi]))[0])[:, 1]
    lip = (float(min(front, back)), float(max(front, back)))
    floor = low if pool_mm is None else pool_mm - 2.0
    bodies = [body for body in flame_bodies(view, lip) if _is_flame(body, floor)]
    if pool_mm is not None:
        # the flame's image in the wall behind stands higher
        bodies = [body for body in bodies if body.bottom_mm < max(pool_mm + FOOT_OVER_POOL_MM, front + 3.0)] or bodies
    return Flames(_with_equals(bodies, inner_radius_mm), view, lip, float(front))


def _is_flame(body: Body, floor_mm: float) -> bool:
    """Upright, narrower at the top than at its widest, and not wax that shines."""
    widths = body.widths
    widest = float(np.percentile(widths, 90))
    upright = body.length_mm >= (1.0 if body.top == "lip" else 0.7) * widest  # a lit wall behind the rim is broad
    tapers = (
        body.top in ("lip", "washed", "picture")
        or float(np.median(widths[: max(len(widths) // 8, 2)])) < TAPER * widest
    )
    stout = widest >= max(SLENDER * body.length_mm, THIN_MM)
    shines = body.plateau >= SHINES_CODE and (body.warmth >= WARM_CODES or body.bottom == "washed")
    return shines and upright and stout and tapers and body.top_mm > floor_mm + 3.0


def _with_equals(bodies: list[Body], radius_mm: float) -> list[Body]:
    """The main flame, long and near the middle, and others as bright that stand beside it: reflections are dimmer, or
    above or below it, or short."""
    if not bodies:
        return []
    brightest = max(body.plateau for body in bodies)
    bright = [body for body in bodies if body.plateau >= brightest - SAME_PLATEAU_CODES]
    main = max(bright, key=lambda body: body.length_mm * (1 - min(abs(body.middle_mm) / radius_mm, 1.0) ** 2))
    others = [
        body
        for body in bodies
        if body is not main
        and body.plateau >= main.plateau - SAME_PLATEAU_CODES
        and body.length_mm >= SHARE_OF_MAIN * main.length_mm
        and abs(body.middle_mm - main.middle_mm) >= APART_MM
        and body.top_mm > main.bottom_mm + 0.3 * main.length_mm
        and body.softness_mm <= 2 * main.softness_mm + SOFTER_MM
        and body.bottom_mm < main.bottom_mm + 0.5 * main.length_mm
    ]
    return [main, *others]
