"""From a flame's bright body to its sizes with their uncertainties.

Where the foot is. A flame's blue foot surrounds the wick and is so faint that a picture that shows the body often
loses it; the wick in it looks dark. But it cannot be lower than the pool, nor higher than the lowest flame that
shows, and lies no more than EXPOSED_WICK_MM above the pool. Where blue shows, or the network sees where the flame
begins, that is most likely the foot, or little above it: a triangular distribution that falls to nothing at the pool,
of mean 2/3 and standard deviation sqrt(1/18) of the range; where no blue shows, the foot is lost to the exposure, and a
third of the range takes its place, so that twice the uncertainty reaches the pool. Where the foot is hidden, or only
the bright body shows, all is as likely: a rectangular distribution (JCGM 100:2008, 4.3.7).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from pooleye.flags import Declined
from pooleye.measurement import Quantity
from pooleye.side.flame import Body, Mapped
from pooleye.side.quantity import quantity
from pooleye.side.shape import DROP_Q, U_DROP_Q, Drop, fitted_drop

EXPOSED_WICK_MM = 7.0  # judged: trimmed to 6 mm before each burn (consumer advice), and not always
FAINT_SHARE = 0.35  # judged: of the bright length, how far below it the faint foot may reach
FAINT_MM = 5.0  # likewise below the lowest flame that shows
NEAR_LOWEST, U_NEAR_LOWEST, U_LOST = 2 / 3, (1 / 18) ** 0.5, 1 / 3
U_BLUE_MM = 0.3
BLUE_BELOW_POOL_MM = 1.0  # what is blue further down is none of the flame
OFF_LIP_MM, OFF_LIP_PX = 1.0, 2.0  # pixels of the maps
U_CUT_MM, U_FAINT_SHARE = 0.35, 0.05  # judged: of a flame's lower edge; of its bright length, where its foot is faint
BELOW_LIP_MM = 3.0  # a body that shows so far below the front of the rim is seen through the wall
BRIGHT_OVER_POOL_MM = 13.0  # judged: usually 4 to 12 mm
RING_MM = 4.0  # a ring of wax at the wall so much higher than the pool hides the foot
LIP_SKIP_MM = 1.2
DIFFUSE_MM = 1.4  # softness of the glow beyond which the glass scatters and no width can be read
U_TIP_MM, U_TIP_PX = 0.15, 2.5  # judged, on 260 fresh renders: in a small picture tip, image and glow run together
#: In its maps flames end 1 to 2 px too low, as their tips are thin: a quarter mm higher, or 3 px lower, is amiss.
MAPPED_OVER_MM, MAPPED_BELOW_PX, MAPPED_USUAL_PX, U_MAPPED_PX = 0.25, 3.0, 1.5, 1.3
SLENDER = 5.0  # length over width of a flame; of a more slender one the thin tip is longer
U_EDGES_PX = 1.0  # of both edges together: where in a blurred edge the flame ends, near its plateau or half way down
GLOW_REACH_MM = 2.0  # how far above or below a glowing rim the tip may be that is lost in it
U_LEAN_DEG, U_LEAN_HIDDEN_DEG = 1.0, 2.0  # flames bend: of the axis, and of its hidden part
WIDEST_SHOWN, MOST_SHOWN, MAPPED_NARROWER_PX = 0.55, 0.8, 0.8
U_WIDTH_RELATIVE, U_WIDTH_HIDDEN = 0.07, 0.12
U_POOL_BY_WAX_MM = 1.3  # of the pool below the wax's line at the wall
USUAL_SLENDERNESS, U_SLENDERNESS = 0.25, 0.04  # width over height, judged; 0.2 to 0.3 occur
USUAL_HEIGHT_MM, U_LOG_HEIGHT = 28.0, 0.35  # judged: most flames of container candles have 14 to 55 mm
GLARE_FLAGS = ("flame-diffuse", "flame-height-unknown")
LIKELY_HEIGHTS_MM = 12.0 * 1.2 ** np.arange(11)


@dataclass(frozen=True)
class Scale:
    """Relative standard uncertainties of lengths at the flame, by cause."""

    outline: float
    vessel: float
    depth: float

    @property
    def u_relative(self) -> float:
        return float(np.sqrt(self.outline**2 + self.vessel**2 + self.depth**2))


@dataclass(frozen=True, eq=False)
class FlameSizes:
    """Quantities and flags; tip and the foot that shows, mm in the facing view."""

    quantities: dict[str, Quantity]
    flags: tuple[str, ...]
    tip_x_mm: float
    tip_mm: float
    foot_x_mm: float
    shown_foot_mm: float


@dataclass(frozen=True)
class Foot:
    """Height of the flame's foot, its standard uncertainty, and that of the pool it was placed by."""

    height_mm: float
    u_mm: float
    u_pool_mm: float

    @classmethod
    def between(cls, low_mm: float, high_mm: float, u_pool_mm: float) -> Foot:
        """Anywhere between these heights."""
        half = max((high_mm - low_mm) / 2, 0.5)
        return cls(low_mm + half, half / np.sqrt(3), u_pool_mm)

    @classmethod
    def near(cls, high_mm: float, low_mm: float, u_high_mm: float, u_pool_mm: float, *, lost: bool = False) -> Foot:
        """Between these heights, most likely near the higher one, which is uncertain by `u_high_mm`; `lost` where no
        blue shows: then twice the uncertainty reaches the lower one."""
        span = max(high_mm - low_mm, 0.5)
        share = U_LOST if lost else U_NEAR_LOWEST
        return cls(low_mm + NEAR_LOWEST * span, float(np.hypot(share * span, u_high_mm)), u_pool_mm)


def flame_sizes(
    body: Body,
    *,
    lip_mm: tuple[float, float],
    front_lip_mm: float,
    mm_per_px: float,
    pool_mm: float | None,
    u_pool_mm: float,
    wax_mm: float | None,
    u_wax_mm: float,
    u_lip_mm: float,
    see_through: bool | None,
    scale: Scale,
    u_roll_deg: float,
) -> FlameSizes:
    """Sizes of one flame. `see_through`: whether wax shows behind the wall, None where that is not known.

    Raises Declined where the flame goes out of the top of the picture.
    """
    if body.top == "picture":
        raise Declined("flame-cut-off")
    if body.is_glare:
        return _glare(body)
    sliver = body.mapped is None and see_through is not None  # so little of a flame that the network sees none
    if body.top_mm < front_lip_mm or _seen_below(body, front_lip_mm):
        see_through = True  # it stands behind the wall, and is seen
    hidden = _hidden_by(body, pool_mm, wax_mm, lip_mm, front_lip_mm, see_through)
    if pool_mm is None and wax_mm is not None and not hidden:
        pool_mm, u_pool_mm = wax_mm - 1.0, float(np.hypot(U_POOL_BY_WAX_MM, u_wax_mm))
    foot = _foot_of(body, pool_mm, u_pool_mm, hidden is not None)
    skip = (lip_mm[0] - LIP_SKIP_MM, lip_mm[1] + LIP_SKIP_MM)
    guess = _Guess(foot.height_mm, 0.0) if foot else _guessed_foot(body, skip)
    guess_mm = guess.foot_mm
    drop = fitted_drop(body, guess_mm, skip)
    tip_mm, u_tip_mm = _tip_of(body, drop, mm_per_px)
    shown_foot, u_shown_mm = _shown_foot(body, hidden == "lip", front_lip_mm, u_lip_mm)
    if _is_diffuse(body):
        u_tip_mm, u_shown_mm = (float(np.hypot(u_mm, body.softness_mm)) for u_mm in (u_tip_mm, u_shown_mm))
    quantities: dict[str, Quantity] = {}
    flags = list(_flags_of(body, hidden is not None, foot))
    if foot is not None:
        quantities["flame_height"] = _height(tip_mm - foot.height_mm, u_tip_mm, foot, drop, scale)
    if hidden or foot is None:
        quantities["flame_height_visible"] = _visible(tip_mm - shown_foot, u_tip_mm, u_shown_mm, scale)
    if not (_is_diffuse(body) or sliver):
        quantities["flame_width"] = _width(body, drop, guess, skip, scale, mm_per_px)
    if not sliver:
        quantities["flame_lean"] = _lean(drop, body, tip_mm - guess_mm, u_roll_deg)
    tip_x = drop.x_mm + drop.slope * (tip_mm - drop.tip_mm)
    foot_x = drop.x_mm + drop.slope * (shown_foot - drop.tip_mm)
    marked = shown_foot if hidden or foot is None else foot.height_mm
    return FlameSizes(quantities, tuple(flags), tip_x, tip_mm, foot_x, marked)


def _hidden_by(
    body: Body,
    pool_mm: float | None,
    wax_mm: float | None,
    lip_mm: tuple[float, float],
    front_lip_mm: float,
    see_through: bool | None,
) -> Literal["lip", "wax"] | None:
    """What the line of sight to the foot meets: the lip of an opaque wall, or at a clear one a ring of solid wax, a
    label or the like."""
    if see_through is None:
        see_through = wax_mm is not None or (body.bottom == "seen" and body.bottom_mm < front_lip_mm - BELOW_LIP_MM)
    if not see_through:
        ends_above = body.mapped is not None and body.mapped.bottom_mm - front_lip_mm > _off_lip_mm(body.mapped)
        if ends_above and body.bottom == "seen":
            return None
        if pool_mm is not None:
            return "lip" if pool_mm + EXPOSED_WICK_MM / 2 < front_lip_mm else None
        return "lip" if body.bottom != "seen" or body.bottom_mm <= lip_mm[1] + 1.5 else None
    if pool_mm is not None and body.bottom_mm > pool_mm + BRIGHT_OVER_POOL_MM:
        return "wax"  # a flame's bright part begins further down
    if wax_mm is None:
        return None
    # what a flame burns on lies below its bright part: a line at its height is a ring
    ring = wax_mm - pool_mm > RING_MM if pool_mm is not None else wax_mm > body.bottom_mm - RING_MM / 2
    return "wax" if ring else None


def _seen_below(body: Body, front_lip_mm: float) -> bool:
    """Whether the network sees the flame go on below the front of the rim."""
    return body.mapped is not None and front_lip_mm - body.mapped.bottom_mm > _off_lip_mm(body.mapped)


def _off_lip_mm(seen: Mapped) -> float:
    """What the network sees to end so far from the rim's front does not end there."""
    return OFF_LIP_MM + OFF_LIP_PX * seen.px_mm


def _shown_foot(body: Body, by_lip: bool, front_lip_mm: float, u_lip_mm: float) -> tuple[float, float]:
    """The lowest point of the flame that is not hidden, by the front of the rim or by anything else, and its standard
    uncertainty. At the rim it is half way between the rim's front and where the network sees the flame end; glare
    reaches over that edge."""
    if by_lip:
        ends_mm = front_lip_mm if body.mapped is None else body.mapped.bottom_mm
        edge_mm, half = (front_lip_mm + ends_mm) / 2, abs(front_lip_mm - ends_mm) / 2
        u_mm = float(np.sqrt(u_lip_mm**2 + half**2 / 3 + (U_CUT_MM**2 if body.bottom == "seen" else 1.0)))
        shown_mm = max(edge_mm, body.bottom_mm) if body.bottom == "seen" else edge_mm
        return min(shown_mm, body.top_mm - 0.5), u_mm
    if body.blue_foot_mm is not None:
        return min(body.blue_foot_mm, body.bottom_mm), U_CUT_MM
    return body.bottom_mm, float(np.hypot(U_CUT_MM, U_FAINT_SHARE * body.length_mm))


def _foot_of(body: Body, pool_mm: float | None, u_pool_mm: float, hidden: bool) -> Foot | None:
    if pool_mm is None and (hidden or _is_diffuse(body)):  # glass that scatters the light shows no foot
        return None
    highest = body.bottom_mm if pool_mm is None else min(body.bottom_mm, pool_mm + EXPOSED_WICK_MM)
    if hidden and pool_mm is not None:
        return Foot.between(pool_mm, highest, u_pool_mm)
    begins = _begins(body, pool_mm)
    if begins is None:
        low = body.bottom_mm - min(FAINT_SHARE * body.length_mm, EXPOSED_WICK_MM)
        return Foot.between(low if pool_mm is None else max(low, pool_mm), highest, u_pool_mm)
    height, u_mm = begins
    if pool_mm is None:
        return Foot.near(height, height - FAINT_MM, u_mm, 0.0)
    lost = body.blue_foot_mm is None
    return Foot.near(min(height, pool_mm + EXPOSED_WICK_MM), pool_mm, u_mm, u_pool_mm, lost=lost)


def _begins(body: Body, pool_mm: float | None) -> tuple[float, float] | None:
    """Where the flame begins as far as it shows, and its standard uncertainty: the end of the blue, else half way
    between the bright body's end and what the network sees; that alone, where the body goes on into its image in the
    wax. None where neither is known."""
    if body.blue_foot_mm is not None and (pool_mm is None or body.blue_foot_mm > pool_mm - BLUE_BELOW_POOL_MM):
        return min(body.blue_foot_mm, body.bottom_mm), U_BLUE_MM
    if body.mapped is None:
        return None
    begins = body.mapped.bottom_mm
    if body.bottom == "seen" and body.bottom_mm > begins - body.mapped.px_mm:
        begins = (begins + body.bottom_mm) / 2
    return begins, body.mapped.px_mm


@dataclass(frozen=True)
class _Guess:
    """Where the foot of a flame may be whose lower part is hidden, and the spread of its width over likely heights;
    only for the shape of the part that shows."""

    foot_mm: float
    u_width_mm: float


def _guessed_foot(body: Body, skip: tuple[float, float]) -> _Guess:
    """The mean over flames of likely height and slenderness, weighted by how well they explain the part that shows
    (Bayes' rule on a grid)."""
    heights = LIKELY_HEIGHTS_MM[body.length_mm <= LIKELY_HEIGHTS_MM]
    if not len(heights):
        heights = np.array([1.1 * body.length_mm])
    drops = [fitted_drop(body, body.top_mm - height, skip) for height in heights]
    widths = np.array([drop.width_mm for drop in drops])
    unlikely = np.array([drop.cost for drop in drops])
    unlikely += 0.5 * ((widths / heights - USUAL_SLENDERNESS) / U_SLENDERNESS) ** 2
    unlikely += 0.5 * (np.log(heights / USUAL_HEIGHT_MM) / U_LOG_HEIGHT) ** 2
    weights = np.exp(unlikely.min() - unlikely)
    weights /= weights.sum()
    spread = float(np.sqrt(weights @ (widths - weights @ widths) ** 2))
    return _Guess(min(body.bottom_mm, body.top_mm - float(weights @ heights)), spread)


def _tip_of(body: Body, drop: Drop, mm_per_px: float) -> tuple[float, float]:
    """Height of the tip and its standard uncertainty. Where the body was not followed as far as the network sees the
    flame, across a rim or into its own image, the network tells; where much further, it is one place or the other."""
    seen = body.mapped
    higher_mm = 0.0 if seen is None else seen.top_mm - body.top_mm
    px_mm = 0.0 if seen is None else seen.px_mm * max(body.length_mm / body.widest_mm / SLENDER, 1.0)
    if higher_mm > MAPPED_OVER_MM and body.is_blunt:
        return body.top_mm + higher_mm + MAPPED_USUAL_PX * px_mm, U_MAPPED_PX * px_mm
    if body.top == "lip":  # the tip is lost in the rim's own glow
        lower_mm = min(higher_mm, 0.0) / 2
        return body.top_mm + lower_mm, max(GLOW_REACH_MM, -lower_mm) / np.sqrt(3)
    if body.top != "cut" and higher_mm < -MAPPED_BELOW_PX * px_mm:
        half = -(higher_mm + MAPPED_USUAL_PX * px_mm) / 2
        return body.top_mm - half, half
    if body.top == "seen":
        tip_mm = body.top_mm - drop.bloom_mm / 2
        return tip_mm, float(np.hypot(U_TIP_MM, U_TIP_PX * mm_per_px + drop.bloom_mm / 2))
    further = max(drop.tip_mm - body.top_mm, 0.0) / 2  # it ends where it seems to, or where the drop does
    return body.top_mm + further, float(np.hypot(further, max(2 * float(np.sqrt(drop.covariance[0, 0])), 1.5)))


def _height(value: float, u_tip_mm: float, foot: Foot, drop: Drop, scale: Scale) -> Quantity:
    slanted = value / max(np.cos(np.radians(drop.lean_deg)), 0.7)
    parts = {"tip": u_tip_mm, "foot": foot.u_mm}
    if foot.u_pool_mm:
        parts["pool-level"] = foot.u_pool_mm
    return quantity(slanted, "mm", parts | _scale_parts(scale, slanted))


def _visible(value: float, u_tip_mm: float, u_cut_mm: float, scale: Scale) -> Quantity:
    value = max(value, 0.5)
    return quantity(value, "mm", {"tip": u_tip_mm, "cut": u_cut_mm} | _scale_parts(scale, value))


def _scale_parts(scale: Scale, length_mm: float) -> dict[str, float]:
    return {
        "vessel-outline": scale.outline * length_mm,
        "vessel-size": scale.vessel * length_mm,
        "flame-depth": scale.depth * length_mm,
    }


def _width(
    body: Body, drop: Drop, guess: _Guess, skip: tuple[float, float], scale: Scale, mm_per_px: float
) -> Quantity:
    """Half way between the drop's greatest width and the median of it, the body's and the network's, where the widest
    place shows: the drop is led astray by glare, the other two know no bloom. What other drops of a likely shape would
    give is a part of its uncertainty."""
    other = fitted_drop(body, guess.foot_mm, skip, DROP_Q + U_DROP_Q, drop).width_mm
    parts = {
        "edge": float(np.hypot(np.sqrt(drop.covariance[3, 3]), U_EDGES_PX * mm_per_px)),
        "glow": 0.5 * drop.bloom_mm,
        "shape": float(np.hypot(other - drop.width_mm, U_WIDTH_RELATIVE * drop.width_mm)),
        "scale": scale.u_relative * drop.width_mm,
    }
    shown = body.length_mm / max(drop.tip_mm - guess.foot_mm, 1.0)
    hidden_share = np.clip((MOST_SHOWN - shown) / (2 * (MOST_SHOWN - WIDEST_SHOWN)), 0.0, 1.0)
    parts["hidden"] = float(np.hypot(U_WIDTH_HIDDEN * drop.width_mm * hidden_share, guess.u_width_mm))
    if shown < WIDEST_SHOWN or guess.u_width_mm:
        return quantity(drop.width_mm, "mm", parts)
    if body.mapped is None:
        return quantity(drop.width_mm, "mm", parts)
    mapped_mm = body.mapped.width_mm + MAPPED_NARROWER_PX * body.mapped.px_mm
    away = (float(np.median([drop.width_mm, body.widest_mm, mapped_mm])) - drop.width_mm) / 2
    return quantity(drop.width_mm + away, "mm", parts | {"network": abs(away)})


def _glare(body: Body) -> FlameSizes:
    """Of light scattered by the glass nothing can be measured."""
    return FlameSizes({}, GLARE_FLAGS, body.middle_mm, body.top_mm, body.middle_mm, body.bottom_mm)


def _lean(drop: Drop, body: Body, height_mm: float, u_roll_deg: float) -> Quantity:
    hidden_share = 1 - min(body.length_mm / max(height_mm, 1.0), 1.0)
    parts = {
        "axis": float(np.degrees(np.sqrt(drop.covariance[2, 2]))),
        "bend": U_LEAN_DEG + U_LEAN_HIDDEN_DEG * hidden_share,
        "roll": u_roll_deg,
    }
    if body.mapped is not None:
        parts["network"] = abs(drop.lean_deg - float(np.degrees(np.arctan(body.mapped.slope)))) / np.sqrt(3)
    return quantity(drop.lean_deg, "deg", parts)


def _is_diffuse(body: Body) -> bool:
    return body.softness_mm > DIFFUSE_MM


def _flags_of(body: Body, hidden: bool, foot: Foot | None) -> list[str]:
    flags = []
    if hidden:
        flags.append("flame-foot-hidden")
    elif body.bottom != "seen":
        flags.append("flame-foot-lost")
    if foot is None:
        flags.append("flame-height-unknown")
    if _is_diffuse(body):
        flags.append("flame-diffuse")
    if body.top in ("lip", "cut", "washed"):
        flags.append("flame-tip-lost")
    return flags
