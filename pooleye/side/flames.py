"""The flames of one vessel, the highest first: bright bodies that are shaped and placed like flames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.photo import RgbImage
from pooleye.side.facing import FacingView
from pooleye.side.flame import Body, Mapped, flame_bodies
from pooleye.side.maps import Maps
from pooleye.side.pose import SidePose

Array = NDArray[np.float64]

AMPLE_MM = 10.0
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
LOW_FLAME_MM = 12.0  # judged
WICK_SHARE = 0.4  # of the radius, within which wicks stand
WHITE_CODE, WHITE_SHARE = 250, 0.3  # rendered photos have 0 to 0.01 of white there, burnt out ones 0.5 to 1
SLENDER, THIN_MM = 0.07, 1.0  # a streak of light on a wall is thinner; flames are a fifth to a third as wide as high
TAPER = 0.85  # the top is narrower than the widest place by this at least


PERHAPS = -1.5  # of the maps' logits: where unlit candles have -3.5 and less
SURELY_NOT, SURELY = -9.0, 4.0  # judged: lamps mirrored in the glass have less than 3, flames in blue glass 7 to 11
OFF_PX = 3.0  # of the maps: how far a flame may reach beyond where they show it
GLOW_MM = 3.0  # beside it
OVER_LIP_MM = 2.0  # how far a flame's glare reaches over the front of the rim; further down shine mirrored lamps
SLIVER_MM = 12.0  # judged: what the network sees nothing of may be a small part of a flame, but no whole one
MOST_SLIVERS = 3  # judged: where many small things shine, none of them is a flame
NOT_ITS_OWN_MM = 30.0  # judged: what begins so far above rim and pool burns behind the vessel
LEAST_SHARE = 0.25  # of a body, that the maps show of its flame
NEAR_PX, TIP_PX = 1.8, 3.0  # likewise, of flames that are no glare or image: beside, and above


@dataclass(frozen=True, eq=False)
class Flames:
    """Bodies, the highest first; the view they were found in; heights between which the rim may glow in that view,
    and the height at which the front of the rim crosses it. `glow`: whether the maps show a flame that has no body in
    the picture, as behind frosted glass; `lost`: whether none could show, behind the wall or where all is white, or
    what shines may be one or not."""

    bodies: list[Body]
    view: FacingView
    lip_mm: tuple[float, float]
    front_lip_mm: float
    glow: bool
    lost: bool


def flames_of(
    rgb: RgbImage,
    pose: SidePose,
    inner_radius_mm: float,
    pool_mm: float | None,
    maps: Maps | None = None,
    *,
    opaque: bool = False,
) -> Flames:
    """Looks for flames between the wax and well above the rim, over the whole width of the mouth; where `maps` show
    some, only there. `opaque`: whether the wall certainly is."""
    height = pose.frustum.height_mm
    low = max(0.1 * height, (0.3 * height if pool_mm is None else pool_mm) - BELOW_POOL_MM)
    shown = None if maps is None else maps.with_flame
    high = height + HIGHEST_FLAME_MM if shown is None else _highest_mm(shown, pose, height)
    view = FacingView.of(rgb, pose, inner_radius_mm, low, high)
    front, back = pose.on_axis_plane_mm(pose.poses.circle_px(height, np.array([0.0, np.pi]))[0])[:, 1]
    lip = (float(min(front, back)), float(max(front, back)))
    if pose.poses.lens_above_mm(height)[0] > 0:  # from above the rim's inner edge hides more than its outer one
        inner = pose.poses.circle_px(height, np.zeros(1), inner_radius_mm)[0]
        front = pose.on_axis_plane_mm(inner)[0, 1]
    floor = low if pool_mm is None else pool_mm - 2.0
    bodies = [] if shown is None else _mapped_bodies(view, lip, shown)
    glow = not bodies and shown is not None and _glows(view, shown)
    unsure = False
    if not bodies:  # small parts of flames escape the network
        bodies = [body for body in flame_bodies(view, lip) if _has_a_flames_shape(body)]
        bodies = [body for body in bodies if not opaque or body.bottom_mm > front - OVER_LIP_MM]
        slivers = [body for body in bodies if shown is None or body.length_mm < SLIVER_MM]
        unsure = len(bodies) > len(slivers) and any(map(_shines, bodies))
        bodies = slivers if len(bodies) <= MOST_SLIVERS else []
    bodies = [body for body in bodies if body.top_mm > floor + 3.0 and _shines(body)]
    bodies = [body for body in bodies if body.bottom_mm < max(floor, float(front)) + NOT_ITS_OWN_MM]
    if pool_mm is not None:
        # the flame's image in the wall behind stands higher
        bodies = [body for body in bodies if body.bottom_mm < max(pool_mm + FOOT_OVER_POOL_MM, front + 3.0)] or bodies
    shown_mm = floor if not opaque else max(floor, float(front))
    hidden = shown_mm > floor + LOW_FLAME_MM or _is_white(view, shown_mm, inner_radius_mm)
    lost = not bodies and (unsure or hidden)
    return Flames(_with_equals(bodies, inner_radius_mm), view, lip, float(front), glow and not bodies, lost)


def _is_white(view: FacingView, low_mm: float, radius_mm: float) -> bool:
    """Whether the picture is burnt out where a low flame would show above this height."""
    rows = slice(view.row_of(low_mm + LOW_FLAME_MM), view.row_of(low_mm + 2.0) + 1)
    middle, half = view.rgb.shape[1] // 2, round(WICK_SHARE * radius_mm / view.mm_per_px)
    part = view.rgb[rows, max(middle - half, 0) : middle + half + 1, :2].min(axis=2)
    return float((part >= WHITE_CODE).mean()) > WHITE_SHARE


def _glows(view: FacingView, maps: Maps) -> bool:
    """Whether the maps show a flame in the view, where it is as bright as one."""
    seen = _flames_seen(view, maps) > 0
    return bool(seen.any()) and float(np.median(view.rgb[seen][:, :2])) > SHINES_CODE


def _highest_mm(maps: Maps, pose: SidePose, rim_mm: float) -> float:
    """How high the maps show a flame, amply; as high as one may burn where they show none."""
    rows, columns = np.nonzero(maps.flame > PERHAPS)
    if not len(rows):
        return rim_mm + HIGHEST_FLAME_MM
    top = np.linalg.inv(maps.to_map()) @ [columns[0], rows[0] - OFF_PX, 1.0]
    return float(np.clip(pose.height_on_axis_mm(top[:2])[0], rim_mm, rim_mm + HIGHEST_FLAME_MM)) + AMPLE_MM


def _mapped_bodies(view: FacingView, lip_mm: tuple[float, float], maps: Maps) -> list[Body]:
    """Bodies where the maps show flames."""
    seen, px_mm = _flames_seen(view, maps), _map_px_mm(view, maps)
    found = flame_bodies(view, lip_mm, _near(seen, view, px_mm))
    mapped = [replace(body, mapped=_mapped(body, seen, view, px_mm)) for body in found]
    return [body for body in mapped if body.mapped is not None]


def _flames_seen(view: FacingView, maps: Maps) -> NDArray[np.float32]:
    """The maps' flames laid into the view: logits."""
    rows, columns = view.rgb.shape[:2]
    step = view.mm_per_px
    to_plane = np.array([[step, 0.0, view.left_mm], [0.0, -step, view.top_mm], [0.0, 0.0, 1.0]])
    grid = maps.to_map() @ view.to_photo @ to_plane
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = cv2.warpPerspective(maps.flame, grid, (columns, rows), flags=flags, borderValue=SURELY_NOT)
    return np.asarray(seen, dtype=np.float32)


def _near(seen: NDArray[np.float32], view: FacingView, px_mm: float) -> NDArray[np.bool_]:
    """Where there may be a flame: its own glow, and what the maps may be off."""
    off_mm = OFF_PX * px_mm
    across, along = (2 * max(round(mm / view.mm_per_px), 1) + 1 for mm in (GLOW_MM + off_mm, off_mm))
    near = cv2.dilate((seen > PERHAPS).view(np.uint8), np.ones((along, across), np.uint8))
    return np.asarray(near).view(np.bool_)


def _mapped(body: Body, seen: NDArray[np.float32], view: FacingView, px_mm: float) -> Mapped | None:
    """This flame in the maps; None where they show none."""
    columns = np.clip(np.array([body.lefts.min(), body.rights.max()]) - view.left_mm, 0, None) / view.mm_per_px
    first = int(columns[0])
    beside = seen[:, first : int(columns[1]) + 2]
    shown = beside > (0.0 if beside.max(initial=SURELY_NOT) > 0 else PERHAPS)
    rows = shown.any(axis=1)
    stretch = np.cumsum(np.diff(rows, prepend=False)) * rows  # each stretch of rows has a number of its own
    shared = np.bincount(stretch[view.row_of(body.top_mm) : view.row_of(body.bottom_mm) + 1])
    if not shared[1:].any():
        return None
    within = np.flatnonzero(stretch == 1 + int(np.argmax(shared[1:])))
    shown = shown[within]
    (first_mm, last_mm), _ = view.to_mm(first + np.stack([shown.argmax(axis=1), _last(shown)]), 0)
    _, heights = view.to_mm(0, within)
    top_mm, bottom_mm = float(heights[0]) + view.mm_per_px / 2, float(heights[-1]) - view.mm_per_px / 2
    if top_mm - bottom_mm < LEAST_SHARE * body.length_mm:
        return None
    slope = float(np.polyfit(heights, (first_mm + last_mm) / 2, 1)[0]) if len(within) > 2 else 0.0
    lefts, rights = (np.interp(-body.heights, -heights, edge) for edge in (first_mm, last_mm))
    near = np.stack([lefts - body.lefts, body.rights - rights], axis=1) < NEAR_PX * px_mm
    near &= ((body.heights < top_mm + TIP_PX * px_mm) & (body.heights > bottom_mm - px_mm))[:, None]
    width_mm = float(shown.sum(axis=1).max()) * view.mm_per_px
    middle = np.clip((body.middle_mm - view.left_mm) / view.mm_per_px, 1, seen.shape[1] - 2).astype(int)
    logit = seen[view.row_of(body.top_mm) : view.row_of(body.bottom_mm) + 1, middle - 1 : middle + 2].max(axis=1)
    return Mapped(top_mm, bottom_mm, width_mm, slope, px_mm, near, float(np.median(logit)))


def _last(rows: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Where each row is true for the last time."""
    return np.asarray(rows.shape[1] - 1 - rows[:, ::-1].argmax(axis=1))


def _map_px_mm(view: FacingView, maps: Maps) -> float:
    """How much of the plane one pixel of the maps shows, about."""
    here = view.photo_px([0.0, 0.0], np.array([view.top_mm - 1.0, view.top_mm]))
    return 1.0 / (float(np.linalg.norm(here[1] - here[0])) * maps.scale)


def _shines(body: Body) -> bool:
    """As bright as a flame, and not white to its very edge, unless that is lost; or the network is sure of it."""
    sure = body.mapped is not None and body.mapped.logit > SURELY
    return sure or (body.plateau >= SHINES_CODE and (body.warmth >= WARM_CODES or body.bottom == "washed"))


def _has_a_flames_shape(body: Body) -> bool:
    """Upright, and narrower at the top than at its widest."""
    widths, widest = body.widths, body.widest_mm
    least = 1.0 if body.top in ("lip", "cut") else 0.7  # a lit wall behind the rim is broad
    upright = body.length_mm >= least * widest
    tapers = (
        body.top in ("lip", "cut", "washed", "picture")
        or float(np.median(widths[: max(len(widths) // 8, 2)])) < TAPER * widest
    )
    return upright and widest >= max(SLENDER * body.length_mm, THIN_MM) and tapers


def _with_equals(bodies: list[Body], radius_mm: float) -> list[Body]:
    """The main flame, long and near the middle, and others as bright that stand beside it: reflections are dimmer, or
    above or below it, or short. The highest first: a limit on flames is meant for that."""
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
    return sorted([main, *others], key=lambda body: -body.top_mm)
