"""Flames in the facing view: where the bright body stands, how its edges run, and where it ends.

Brightness is the mean of the red and green codes: a flame's blue says little, and tinted glass swallows it. A flame is
far brighter than a phone takes in, so its body is one even plateau at the top of the scale; its edge is where the row
leaves that plateau, not half way down, since glow reaches far around it. Each row is judged against its own plateau and
its own surroundings, from a sure place in the body upwards to the tip and downwards to the foot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.side.facing import FacingView

Array = NDArray[np.float64]
Bright = NDArray[np.float32]
End = Literal["seen", "washed", "lip", "cut", "glare", "picture"]

PLATEAU_CODE = 225.0  # sRGB code below which nothing in a usable photo is a flame's body
SEED_CONTRAST = 18.0  # codes above the row's surroundings
LEAVE_SHARE = 0.08  # of the way from the plateau down to the surroundings: there the edge lies
LEAVE_CODES = 3.0  # at least, for noise
MIN_CONTRAST = 5.0  # codes; with less, a row shows no edge
MIN_HEIGHT_MM = 2.5
MIN_AREA_MM2 = 2.0
MAX_WIDTH_MM = 22.0
JUMP = 1.35  # a row this much wider than those before it has met glare or a lip that glows
BRIDGE_MM = 2.6  # such rows are passed over if the old width comes back within this
GAP_MM = 0.6
WIDENING = 1.2  # a flame's width grows by no more than this per length below its tip
LIP_BELOW_MM = 0.5  # how far below the lip its glow reaches
CUT_BELOW_MM = 2.0  # how far below it a flame behind the wall may seem to end
BULGE, BULGE_PX = 1.25, 1.5  # a run at the rim wider than a narrower one below it by this is glow
BLUNT = 0.75
TIP_SHARE = 0.3  # of its width below the rim: so narrow, a flame is at its tip
LIP_GLOW_MM = 2.5  # how far above the rim its glow reaches in an overexposed picture
#: Share of the plateau's contrast so far that a further row must have, except where the rim crosses: upwards (-1) the
#: thin tip is dimmed by the blur, downwards (1) what is dimmer is wax, or a mirror image.
SAME_CONTRAST = {-1: 0.6, 1: 0.9}
WAIST = 0.6  # of its greatest width: so narrow, a flame ends; what widens again by the next two is an image of it
AGAIN, AGAIN_PX = 1.3, 1.5
FLAME_BELOW = 0.25  # of the whole, at least, is the flame below its image
BLUE_EXCESS = 18.0  # codes of blue over the mean of red and green, compared with the surroundings
BLUE_REACH_MM = 4.0
EDGE_PX = 6
TIP_MM, TIP_NARROWS = 1.5, 0.4
GLARE_WIDER, GLARE_MM = 1.4, 1.5  # than the network's flame
FEWEST_EDGES = 4
STOUTEST, STOUT_MM = 0.5, 8.0  # judged: no flame is so wide for its height, unless little of it shows


@dataclass(frozen=True, eq=False)
class Mapped:
    """A flame in the network's maps: heights of its ends, its greatest width, and one pixel of the maps, mm; its lean,
    dx per mm upwards; which of a body's edges (M, 2), left and right, are near its own; the logit of the body's middle,
    the median over its height."""

    top_mm: float
    bottom_mm: float
    width_mm: float
    slope: float
    px_mm: float
    near: NDArray[np.bool_]
    logit: float


@dataclass(frozen=True, eq=False)
class Body:
    """The bright body of one flame, mm in the facing view, rows from the tip downwards.

    `heights`, `lefts`, `rights` (M,): its edges. `top`, `bottom`: how it ends there. `blue_foot_mm`: height down to
    which blue flame shows below the body, or None. `plateau`: mean code of the body; `softness_mm`: how far beside
    it the glow takes to fall half way to the surroundings; `warmth`: codes by which red exceeds blue at the edges, more
    so in a picture whose surroundings are blue. `mapped`: what the network sees of it.
    """

    heights: Array
    lefts: Array
    rights: Array
    top: End
    bottom: End
    blue_foot_mm: float | None
    plateau: float
    softness_mm: float
    beyond_mm: float
    warmth: float
    mapped: Mapped | None = None

    @property
    def top_mm(self) -> float:
        """The upper end, between rows."""
        return float(self.heights[0]) + self.beyond_mm

    @property
    def bottom_mm(self) -> float:
        return float(self.heights[-1])

    @property
    def length_mm(self) -> float:
        return self.top_mm - self.bottom_mm

    @property
    def middle_mm(self) -> float:
        return float(np.median((self.lefts + self.rights) / 2))

    @property
    def widths(self) -> Array:
        return self.rights - self.lefts

    @property
    def sure(self) -> NDArray[np.bool_]:
        """Which edges (M, 2), left and right, may be the flame's: all, where the network tells nothing or only few."""
        few = self.mapped is None or np.count_nonzero(self.mapped.near.all(axis=1)) < FEWEST_EDGES
        return np.ones((len(self.heights), 2), bool) if few or self.mapped is None else self.mapped.near

    @property
    def widest_mm(self) -> float:
        return float(np.percentile(self.widths[self.sure.all(axis=1)], 90))

    def holds(self, x_mm: float, height_mm: float) -> bool:
        """Whether this place lies within its edges."""
        if not self.bottom_mm <= height_mm <= float(self.heights[0]):
            return False
        left, right = (np.interp(-height_mm, -self.heights, edge) for edge in (self.lefts, self.rights))
        return bool(left <= x_mm <= right)

    @property
    def is_blunt(self) -> bool:
        """Whether its uppermost part has not narrowed to a tip."""
        top = self.widths[self.heights > self.heights[0] - TIP_MM]
        return float(np.median(top)) > TIP_NARROWS * self.widest_mm

    @property
    def is_glare(self) -> bool:
        """Whether it is light scattered about the flame, as by frosted glass."""
        usual_mm = float(np.median(self.widths))  # not that of its widest rows: there a rim may glow
        wider = self.mapped is not None and usual_mm > GLARE_WIDER * self.mapped.width_mm + GLARE_MM
        return wider or usual_mm > max(STOUTEST * self.length_mm, STOUT_MM)


def flame_bodies(view: FacingView, lip_mm: tuple[float, float], near: NDArray[np.bool_] | None = None) -> list[Body]:
    """Bodies of everything in the view that may be a flame, longest first; only within `near`, if given. `lip_mm`:
    lowest and highest height at which the rim, near or far, may glow in this view."""
    bright = _brightness(view)
    around = np.median(bright[:, ::5], axis=1)
    if near is not None:
        bright = np.where(near, bright, np.minimum(bright, around[:, None]))
    found: list[Body] = []
    for row, column in _seeds(view, bright, around):
        (x_mm,), (height_mm,) = view.to_mm([column], [row])
        if any(body.holds(float(x_mm), float(height_mm)) for body in found):
            continue
        body = _tracked(view, bright, around, row, column, lip_mm)
        if body is not None:
            found.append(body)
    found.sort(key=lambda body: -body.length_mm)
    return [body for index, body in enumerate(found) if not any(_same(body, other) for other in found[:index])]


def _brightness(view: FacingView) -> Bright:
    return np.asarray(np.add(view.rgb[..., 0], view.rgb[..., 1], dtype=np.float32) * np.float32(0.5), dtype=np.float32)


def _seeds(view: FacingView, bright: Bright, around: NDArray[np.float32]) -> list[tuple[int, int]]:
    """Pixels near the top and at each quarter of the height of each bright, upright patch that stands out from its row,
    largest first: an image of the flame may stand on it, or glare lie under it, in one patch with it."""
    enough_px = max(round(MIN_AREA_MM2 / view.mm_per_px**2), 4)
    mask = bright >= np.maximum(PLATEAU_CODE, around + SEED_CONTRAST)[:, None]
    rows = np.flatnonzero(mask.any(axis=1))
    if np.count_nonzero(mask) < enough_px:
        return []
    first = int(rows[0])
    mask = mask[first : int(rows[-1]) + 1] & view.inside[first : int(rows[-1]) + 1]
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(mask.view(np.uint8), connectivity=8)
    tall_px, step_px = MIN_HEIGHT_MM / view.mm_per_px, max(round(1.5 / view.mm_per_px), 1)
    patches = [k for k in range(1, count) if boxes[k, cv2.CC_STAT_HEIGHT] >= tall_px]
    patches.sort(key=lambda k: -int(boxes[k, cv2.CC_STAT_AREA]))
    seeds = []
    for patch in patches[:6]:
        top, height = (int(boxes[patch, part]) for part in (cv2.CC_STAT_TOP, cv2.CC_STAT_HEIGHT))
        for row in sorted({min(top + step_px, len(labels) - 1), *(top + height * k // 4 for k in (1, 2, 3))}):
            columns = np.flatnonzero(labels[row] == patch)
            if len(columns):
                seeds.append((first + row, int(np.median(columns))))
    return seeds


def _same(one: Body, other: Body) -> bool:
    overlap = min(one.top_mm, other.top_mm) - max(one.bottom_mm, other.bottom_mm)
    return overlap > 0 and abs(one.middle_mm - other.middle_mm) < 1.5


@dataclass(frozen=True)
class _Run:
    """One row's bright run: edges in columns (subpixel), plateau code, and columns of glow on the sharper side."""

    row: int
    left: float
    right: float
    plateau: float
    softness: float

    @property
    def width(self) -> float:
        return self.right - self.left


def _tracked(
    view: FacingView, bright: Bright, around: NDArray[np.float32], row: int, column: int, lip_mm: tuple[float, float]
) -> Body | None:
    first = _run(bright, around, row, column)
    if first is None or first.width * view.mm_per_px > MAX_WIDTH_MM:
        return None
    _, heights = view.to_mm(np.zeros(len(bright)), np.arange(len(bright)))
    lip = (heights > lip_mm[0] - 1.5) & (heights < lip_mm[1] + 1.5)
    up, top = _followed(view, bright, around, first, -1, lip)
    down, bottom = _followed(view, bright, around, first, 1, lip)
    runs, top = _below_waist([*up[::-1], first, *down], top, lip)
    runs, top = _without_glowing_lip(view, runs, top, lip_mm)
    if len(runs) < 4:
        return None
    rows = np.array([run.row for run in runs])
    lefts, heights = view.to_mm([run.left for run in runs], rows)
    rights, _ = view.to_mm([run.right for run in runs], rows)
    if heights[0] - heights[-1] < MIN_HEIGHT_MM:
        return None
    blue = _blue_foot(view, runs[-1], float(np.median(rights - lefts))) if bottom == "seen" else None
    plateau = float(np.median([run.plateau for run in runs]))
    softness = float(np.median([run.softness for run in runs])) * view.mm_per_px
    beyond = _beyond_px(bright, around, runs[0]) * view.mm_per_px if top == "seen" else 0.0
    return Body(heights, lefts, rights, top, bottom, blue, plateau, softness, beyond, _warmth(view, runs))


def _warmth(view: FacingView, runs: list[_Run]) -> float:
    """A flame's edge, where its light falls off, is yellow; lamps and windows mirrored in glass have none such."""
    found = []
    for run in runs[len(runs) // 5 :: max(len(runs) // 20, 1)]:
        codes = view.rgb[run.row].astype(np.int16)
        redness = codes[:, 0] - codes[:, 2]
        left, right = int(run.left), int(np.ceil(run.right))
        beside = np.concatenate([redness[max(left - EDGE_PX, 0) : left + 1], redness[right : right + EDGE_PX + 1]])
        if len(beside):
            found.append(float(beside.max() - min(np.median(redness[::5]), 0.0)))
    return float(np.median(found)) if found else 0.0


def _run(bright: Bright, around: NDArray[np.float32], row: int, column: float, reach: int = 2) -> _Run | None:
    """The run of plateau about this column, or None where the row shows none."""
    low, high = max(int(column) - reach, 0), int(column) + reach + 1
    outside = float(around[row])
    plateau = float(bright[row, low:high].max())
    contrast = plateau - outside
    if plateau < PLATEAU_CODE - 25 or contrast < MIN_CONTRAST:
        return None
    line: list[float] = bright[row].tolist()  # a run is short: stepping along it beats searching the whole row
    level, half = plateau - max(LEAVE_SHARE * contrast, LEAVE_CODES), plateau - 0.5 * contrast
    start = line.index(plateau, low)
    left, right = _leaves(line, start, -1, level), _leaves(line, start, 1, level)
    softness = min(left - _leaves(line, left, -1, half), _leaves(line, right, 1, half) - right)
    return _Run(row, _crossing(line, left, 1, level), _crossing(line, right, -1, level), plateau, float(softness))


def _leaves(line: list[float], at: int, step: int, level: float) -> int:
    """The first place from `at` on, by steps of 1 or -1, below the level; -1 or the length where there is none."""
    while 0 <= at < len(line) and line[at] >= level:
        at += step
    return at


def _beyond_px(bright: Bright, around: NDArray[np.float32], run: _Run) -> float:
    """How far above the middle of its topmost row a body ends, by the light of the row above; 0 to 1 px."""
    if run.row == 0:
        return 0.0
    low, high = int(max(run.left, 0)), int(run.right) + 2
    above, outside = float(bright[run.row - 1, low:high].max()), float(around[run.row - 1])
    light = (above - outside) / max(run.plateau - outside, 1.0)
    return float(np.clip(light, 0.0, 1.0))


def _crossing(line: list[float], outside: int, inward: int, level: float) -> float:
    """Where the row passes `level` between the pixel `outside` and its bright neighbour."""
    inside = outside + inward
    if not (0 <= outside < len(line) and 0 <= inside < len(line)):
        return float(min(max(inside, 0), len(line) - 1))
    rise = line[inside] - line[outside]
    return outside + inward * (min(max((level - line[outside]) / rise, 0.0), 1.0) if rise > 0 else 0.5)


def _followed(
    view: FacingView, bright: Bright, around: NDArray[np.float32], first: _Run, step: int, lip: NDArray[np.bool_]
) -> tuple[list[_Run], End]:
    """Runs row by row from `first` upwards (step -1) or downwards (1), and how they end."""
    runs: list[_Run] = []
    last, row, missed = first, first.row + step, 0
    bridge, gap = round(BRIDGE_MM / view.mm_per_px), max(round(GAP_MM / view.mm_per_px), 1)
    memory = max(round(1.0 / view.mm_per_px), 3)
    while 0 <= row < len(bright) and view.inside[row, int(np.clip(last.left, 0, bright.shape[1] - 1))]:
        before = runs[-memory:] or [first]
        usual = _middle([run.width for run in before])
        run = _run(bright, around, row, (last.left + last.right) / 2, max(2, round(usual / 4)))
        wide = run is not None and run.width > JUMP * usual + 2.5 + WIDENING * missed
        if run is not None and not lip[row] and not _goes_on(run, before, float(around[row]), step):
            run = None
        if run is not None and not wide:
            runs.append(run)
            last, missed = run, 0
        else:
            missed += 1
            washed = _washed(bright, around, row)
            if run is None and missed > gap and not washed and not lip[row]:
                return runs, "seen"
            if missed > bridge:
                return runs, "glare" if run is not None else "washed" if washed else "seen"
        row += step
    return runs, "seen" if missed > gap else "picture"


def _middle(values: list[float]) -> float:
    """The median of a short list, quickly."""
    return sorted(values)[len(values) // 2]


def _goes_on(run: _Run, before: list[_Run], around: float, step: int) -> bool:
    """Whether a run belongs to the body above or below: as bright, and over or under it for the greater part."""
    last = before[-1]
    shared = min(run.right, last.right) - max(run.left, last.left)
    usual = _middle([other.plateau for other in before])
    bright_enough = run.plateau - around >= SAME_CONTRAST[step] * (usual - around)
    return bright_enough and shared >= 0.5 * min(run.width, last.width)


def _washed(bright: Bright, around: NDArray[np.float32], row: int) -> bool:
    """Whether the row's surroundings are as bright as a flame, so that none could show."""
    return bool(around[row] > 255.0 - MIN_CONTRAST)


def _below_waist(runs: list[_Run], top: End, lip: NDArray[np.bool_]) -> tuple[list[_Run], End]:
    """Drops what stands on the flame's tip: its image in the wall behind, which touches it. A flame that has narrowed
    to its tip does not widen again, but for the glow of the rim where that crosses it. Widths are medians of three:
    where the surroundings change, a single row may look narrow, and so may the foot of a flame."""
    widths = [_middle([run.width for run in runs[max(k - 1, 0) : k + 2]]) for k in range(len(runs))]
    widest, low = 0.0, len(runs) - 1
    for index in range(len(runs) - 1, -1, -1):
        width = widths[index]
        if lip[runs[index].row]:
            continue
        if widths[low] >= WAIST * widest and width >= widest:
            widest, low = width, index
        elif width < widths[low]:
            low = index
        elif widths[low] < WAIST * widest and width > AGAIN * widths[low] + AGAIN_PX:
            return (runs[low:], "seen") if len(runs) - low > FLAME_BELOW * len(runs) else (runs, top)
    return runs, top


def _without_glowing_lip(
    view: FacingView, runs: list[_Run], top: End, lip_mm: tuple[float, float]
) -> tuple[list[_Run], End]:
    """Drops the rows at the rim where the top of a body is only the lip, lit by the flame behind it.

    A flame narrows towards its tip; what widens again at the rim, or is wider there than the body, is glow; and a body
    that ends at the rim without having narrowed ends there only to the eye.
    """
    _, heights = view.to_mm(np.zeros(len(runs)), [run.row for run in runs])
    crossed = [lip for lip in lip_mm if lip - CUT_BELOW_MM <= heights[0] <= lip + LIP_GLOW_MM]
    if not crossed:
        return runs, top
    lip = max(crossed)
    below = [run.width for run, height in zip(runs, heights, strict=True) if lip - 4.0 < height < lip - 1.0]
    at_lip = [k for k in range(len(runs)) if heights[k] > lip - LIP_BELOW_MM]
    if not below:
        return runs, top
    body = float(np.median(below))
    blunt = [run.width for run, height in zip(runs, heights, strict=True) if 0.5 < heights[0] - height < 1.5]
    cut = heights[0] < lip + LIP_BELOW_MM and bool(blunt) and float(np.median(blunt)) > BLUNT * body
    if not at_lip:
        return runs, "cut" if cut else top
    upwards = np.array([runs[k].width for k in reversed(at_lip)])
    narrowest = np.minimum.accumulate(upwards)
    bulges = upwards > BULGE * narrowest + BULGE_PX
    if upwards.max() <= 1.1 * body:
        if not bulges.any():
            return runs, "cut" if cut else top
        tip = int(upwards[: int(np.argmax(bulges))].argmin())
        if upwards[tip] < TIP_SHARE * body:
            return runs[at_lip[-1] - tip :], top
    return runs[at_lip[-1] + 1 :], "lip"


def _blue_foot(view: FacingView, last: _Run, width_mm: float) -> float | None:
    """The height down to which blue light shows beside the wick below the body, or None."""
    codes = view.rgb.astype(np.float32)
    blue = codes[..., 2] - (codes[..., 0] + codes[..., 1]) / 2
    middle, half = (last.left + last.right) / 2, 0.35 * width_mm / view.mm_per_px
    low, high = (int(np.clip(edge, 0, blue.shape[1] - 1)) for edge in (middle - half, middle + half + 1))
    reach = round(BLUE_REACH_MM / view.mm_per_px)
    foot, missed = None, 0
    for row in range(last.row + 1, min(last.row + reach, len(blue))):
        excess = float(blue[row, low:high].max(initial=0.0)) - max(float(np.median(blue[row, ::3])), 0.0)
        missed = 0 if excess > BLUE_EXCESS else missed + 1
        if missed > 2:
            break
        if missed == 0:
            foot = row
    return None if foot is None else float(view.to_mm(0, foot)[1])
