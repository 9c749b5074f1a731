"""The vessel's outer shape from what callipers say, and the one vessel of that shape that the picture means."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.alight import flame_places
from pooleye.side.flames import flames_of
from pooleye.side.locate import Located, fitted_finely, vessels_in
from pooleye.side.pose import Frustum
from pooleye.side.search import FLAME_ABOVE_MM
from pooleye.side.sharpness import require_sharp_outline

if TYPE_CHECKING:
    from pooleye.measuring import Vessel

Array = NDArray[np.float64]

U_CALLIPERS_MM = 0.3  # judged: callipers over a lip or a seam
USUAL_WALL_MM, U_USUAL_WALL_MM = 2.5, 1.3  # judged: tins have 0.3 mm, thick glass and ceramic 4 to 5 mm
HEIGHT_SHARES = 0.4 * 1.09 ** np.arange(18)  # of the outer diameter, tried where the height is not known
MIN_SCORE = 1.9  # of the outline, below which no vessel is there
MIN_LINE = 0.12  # the weakest of walls and base, in the comparison
MIN_VESSEL_PX = 110.0  # its larger side in the working picture; a flame is a fifth of it
SURE_SCORE = 2.55  # asked where the height is not known, since some height fits anything
LENS_LOW_MM = -10.0  # lowest place of a lens over the table the vessel stands on
LIT_MM = 0.45  # coarse enough to see quickly whether there is a flame
FLAME_BONUS = 0.7  # the candle meant is the lit one
HEIGHT_BONUS = 0.3  # likewise, where heights are tried: a wax line looks like the rim of a lower vessel
SIZE_BONUS = 0.7  # per e-fold of size: small finds are more often chance
FLAME_OVER_POOL_MM = (-12.0, 60.0)  # its middle; of tall ones behind an opaque wall only the upper part shows
CANDIDATES = 14
#: What the lines of clear glass may lack in the last fit, where the size is known and a flame burns on its axis.
FAINT_SHORTFALL, ON_AXIS = 0.3, 0.9


@dataclass(frozen=True)
class Outside:
    """Outer shape, relative standard uncertainty of its size, uncertainty of where its foot stands, flags."""

    frustum: Frustum
    u_relative: float
    u_foot_mm: float
    height_known: bool
    flags: tuple[str, ...]


def outside_of(vessel: Vessel) -> Outside:
    """The outer frustum. Without the outer diameter a usual wall is added; the height may be looked for later."""
    flags = []
    if vessel.rim_outer_mm is not None:
        wall_mm, u_diameter = (vessel.rim_outer_mm - vessel.rim_inner_mm) / 2, U_CALLIPERS_MM
    else:
        wall_mm, u_diameter = USUAL_WALL_MM, 2 * U_USUAL_WALL_MM
        flags.append("outer-size-assumed")
    if vessel.height_mm is None:
        flags.append("vessel-height-read")
    rim = vessel.rim_inner_mm / 2 + wall_mm
    base = (vessel.base_inner_mm or vessel.rim_inner_mm) / 2 + wall_mm
    frustum = Frustum(rim, base, vessel.height_mm or 2 * rim, min(wall_mm, 6.0))
    u_foot_mm = float(np.hypot(U_CALLIPERS_MM, 0.15 * wall_mm))
    return Outside(frustum, u_diameter / (2 * rim), u_foot_mm, vessel.height_mm is not None, tuple(flags))


def located_vessel(
    rgb: RgbImage, outside: Outside, camera: Camera, headspace_mm: float | None
) -> tuple[Located, Outside]:
    """The vessel meant: the best outline, rather a lit one, rather a large one. Raises Declined (no-vessel,
    rim-cut-off).

    Where the height was not known the returned shape has the height that fits best.
    """
    flames = flame_places(rgb)
    burning = len(flames) > 0
    for about_px in (flames, flames[:0]) if burning else (flames,):
        best, shape, sure = _best_vessel(rgb, outside, camera, headspace_mm, about_px, flames)
        # where a flame burns, what shows none is another thing on the table
        if best is not None and sure and not (burning and _share_lit(best, shape, flames, headspace_mm) == 0):
            _require_whole(rgb, best)
            return best, shape
    if best is not None:
        require_sharp_outline(rgb, best)
    raise Declined("no-vessel", hint=NO_VESSEL_HINT)


def _best_vessel(
    rgb: RgbImage, outside: Outside, camera: Camera, headspace_mm: float | None, about_px: Array, flames: Array
) -> tuple[Located | None, Outside, bool]:
    """The best outline, or None, with its shape, and whether it is surely a vessel."""
    found: list[tuple[Located, Outside]] = []
    for shape in _shapes(outside):
        seen = vessels_in(rgb, shape.frustum, camera, about_px, height_known=outside.height_known)[:CANDIDATES]
        found += [(one, shape) for one in seen if _is_vessel(one)]
    if not found:
        return None, outside, False
    best, shape = _meant(rgb, found, headspace_mm, flames)
    if not outside.height_known:
        best, shape = _with_best_height(rgb, best, shape, camera, about_px)
    # without a height there is always an outline about the one found that fits something
    nested = [one for one, _ in found] if outside.height_known else None
    best = fitted_finely(rgb, best, nested)
    vague = not outside.height_known and best.score < SURE_SCORE
    return best, shape, not vague and best.shortfall <= _allowed_shortfall(best, shape, flames, headspace_mm)


def _allowed_shortfall(best: Located, shape: Outside, flames: Array, headspace_mm: float | None) -> float:
    """A flame on the axis stands for lines that clear glass hardly shows."""
    lit = shape.height_known and len(flames) > 0 and _share_lit(best, shape, flames, headspace_mm) > ON_AXIS
    return FAINT_SHORTFALL if lit else 0.0


NO_VESSEL_HINT = "Take the whole vessel from the side, at the height of its rim, alone on a plain table."


def _shapes(outside: Outside) -> list[Outside]:
    if outside.height_known:
        return [outside]
    diameter = 2 * max(outside.frustum.rim_radius_mm, outside.frustum.base_radius_mm)
    return [replace(outside, frustum=replace(outside.frustum, height_mm=diameter * s)) for s in HEIGHT_SHARES]


def _is_vessel(one: Located) -> bool:
    """Seen well enough, large enough to measure in, and from above the table."""
    weakest = min(one.strength[name] for name in ("left", "right", "base"))
    large = max(2 * one.pose.frustum.middle_radius_mm, one.pose.frustum.height_mm) * _px_per_mm(one)
    above_table_mm = float(one.pose.poses.lens_above_mm(0.0)[0])
    return one.score >= MIN_SCORE and weakest >= MIN_LINE and large >= MIN_VESSEL_PX and above_table_mm > LENS_LOW_MM


def _px_per_mm(one: Located) -> float:
    return one.pose.camera.f_px / float(np.exp(one.pose.vector[2]))


def _meant(
    rgb: RgbImage, found: list[tuple[Located, Outside]], headspace_mm: float | None, flames: Array
) -> tuple[Located, Outside]:
    """The best outline, rather a large one, rather a lit one. Where no flame stood out by itself, flames are looked for
    within the outlines, only where they can decide."""
    plain = [
        one.score - SIZE_BONUS * float(one.pose.vector[2]) + HEIGHT_BONUS * float(np.log(shape.frustum.height_mm))
        for one, shape in found
    ]
    best = found[int(np.argmax(plain))]
    close = [index for index, score in enumerate(plain) if score > max(plain) - FLAME_BONUS]
    if all(_same_place(found[index][0], best[0]) for index in close):
        return best
    lit: dict[int, float] = {}
    for index in sorted(close, key=lambda index: -plain[index]):
        known = [other for other in lit if _same_place(found[index][0], found[other][0])]
        if len(flames):
            lit[index] = _share_lit(*found[index], flames, headspace_mm)
        else:
            lit[index] = lit[known[0]] if known else float(_is_lit(rgb, *found[index], headspace_mm))
    return found[max(close, key=lambda index: plain[index] + FLAME_BONUS * lit[index])]


def _share_lit(one: Located, shape: Outside, flames: Array, headspace_mm: float | None) -> float:
    """From 1 where a flame burns on the vessel's axis to 0 where it would stand on the wall or none is there."""
    x, height = one.pose.on_axis_plane_mm(flames).T
    low, high = 0.1 * shape.frustum.height_mm, shape.frustum.height_mm + FLAME_ABOVE_MM
    if headspace_mm is not None and shape.height_known:
        low, high = shape.frustum.height_mm - headspace_mm + np.array(FLAME_OVER_POOL_MM)
    within = (height > low) & (height < high)
    return float(np.max(np.where(within, 1 - np.minimum(np.abs(x) / shape.frustum.rim_radius_mm, 1.0) ** 2, 0.0)))


def _is_lit(rgb: RgbImage, one: Located, shape: Outside, headspace_mm: float | None) -> bool:
    pool_mm = None if headspace_mm is None else shape.frustum.height_mm - headspace_mm
    return bool(flames_of(rgb, one.pose, shape.frustum.rim_radius_mm * 0.95, pool_mm, LIT_MM).bodies)


def _same_place(one: Located, other: Located) -> bool:
    """Whether two finds are the same object, seen with another tilt or a little larger."""
    apart_px = np.linalg.norm(one.pose.vector[:2] - other.pose.vector[:2])
    size_px = one.pose.frustum.middle_radius_mm * _px_per_mm(one)
    return bool(apart_px < 0.4 * size_px and abs(one.pose.vector[2] - other.pose.vector[2]) < 0.15)


def _with_best_height(
    rgb: RgbImage, best: Located, shape: Outside, camera: Camera, about_px: Array
) -> tuple[Located, Outside]:
    """Heights near the best one; the uncertainty of the height goes into where the foot stands."""
    for step in (0.045, 0.022, 0.011):
        for factor in (1 - step, 1 + step):
            other = replace(shape, frustum=replace(shape.frustum, height_mm=shape.frustum.height_mm * factor))
            seen = vessels_in(rgb, other.frustum, camera, about_px, height_known=False)
            found = [one for one in seen[:2] if _is_vessel(one)]
            if found and found[0].score > best.score + 0.03:
                best, shape = found[0], other
    return best, replace(shape, u_foot_mm=float(np.hypot(shape.u_foot_mm, 0.02 * shape.frustum.height_mm)))


def _require_whole(rgb: RgbImage, best: Located) -> None:
    """The walls between rim and base must be in the picture."""
    ends = np.concatenate([best.pose.poses.wall_px(side, np.array([0.02, 0.98]))[0] for side in (-1, 1)])
    height, width = rgb.shape[:2]
    if (ends < 0).any() or (ends[:, 0] > width - 1).any() or (ends[:, 1] > height - 1).any():
        raise Declined("rim-cut-off", hint="Go back a little until the whole vessel and its flame are in the picture.")
