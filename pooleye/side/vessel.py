"""The vessel's outer shape from what callipers say, and the one vessel of that shape that the picture means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.optics.camera import Camera
from pooleye.photo import RgbImage
from pooleye.side.locate import Located, fitted_finely, resized
from pooleye.side.maps import Maps
from pooleye.side.pose import Frustum, SidePose
from pooleye.side.silhouette import Filled, about, closer, filled, region_of

if TYPE_CHECKING:
    from pooleye.measuring import Vessel

U_CALLIPERS_MM = 0.3  # judged: callipers over a lip or a seam
U_FOOT_MM = 1.0  # judged: of fresh renders the foot was found 0.8 mm too low in the median, of development photos 0.1
USUAL_WALL_MM, U_USUAL_WALL_MM = 2.5, 1.3  # judged: tins have 0.3 mm, thick glass and ceramic 4 to 5 mm
LEAST_OVERLAP = 0.92  # of the region seen and the silhouette of the known shape: rendered vessels have 0.925 and more
SURE_OVERLAP, SURE_MOUTH = 0.95, 0.25
LEAST_BASE = 0.3  # likewise, the edge of its foot: what only a part of the picture shows may be a pillar cut off by it
OTHER_LOOKS = (0.18, 0.25, 0.36, 0.5, 0.7)  # of the picture's longer side; the likeliest first,
AMPLE = 1.6  # times as large as the vessel seems
MARGINS = (0.1, 0.1, 0.1, 0.1)  # judged: of a region's longer side, about one that a look has cut off
PERHAPS_A_FLAME = -3.0  # logit
LEAST_MOUTH, OPEN_PX = 0.25, 3.0  # likewise of mouth and rim, where the rim is open so far in the maps
MIN_VESSEL_PX = 110.0  # its larger side in the working picture; a flame is a fifth of it
U_HEIGHT_READ = 0.02  # of a height read from the picture, where the foot stands


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
    u_foot_mm = float(np.hypot(U_FOOT_MM, 0.15 * wall_mm))
    return Outside(frustum, u_diameter / (2 * rim), u_foot_mm, vessel.height_mm is not None, tuple(flags))


def located_vessel(rgb: RgbImage, outside: Outside, camera: Camera) -> tuple[Located, Outside]:
    """The vessel meant. Raises Declined (no-vessel, rim-cut-off).

    Where the height was not known the returned shape has the height that shows.
    """
    cut_off: Declined | None = None
    for number, maps in enumerate(_looks(rgb)):
        region = region_of(maps)
        if region is None or (number > 0 and _is_cut(region.mask)):
            continue
        seen = filled(maps, region, outside.frustum, maps.camera(camera), height_known=outside.height_known)
        found = _in_picture(seen, camera, maps)
        if not _has_the_shape(seen, sure=number > 0) or _larger_side_px(found) < MIN_VESSEL_PX:
            continue
        try:
            _require_whole(rgb, found)
        except Declined as why:
            cut_off = cut_off or why
            continue
        fine = fitted_finely(rgb, found, maps)
        if number == 0 or fine.strength["base"] > LEAST_BASE:
            break
    else:
        raise cut_off or Declined("no-vessel", hint=NO_VESSEL_HINT)
    if not outside.height_known:
        u_foot_mm = float(np.hypot(outside.u_foot_mm, U_HEIGHT_READ * found.pose.frustum.height_mm))
        outside = replace(outside, frustum=found.pose.frustum, u_foot_mm=u_foot_mm)
    return fine, outside


def _looks(rgb: RgbImage) -> Iterator[Maps]:
    """The photo in the maps, closer where the vessel is small; then parts of it about a flame, or the vessel, in which
    what lies beside it confuses less."""
    size = (rgb.shape[1], rgb.shape[0])
    whole = Maps.of(rgb)
    region = region_of(whole)
    if region is None:
        return
    part = closer(whole, region, size)
    yield whole if part is None else replace(Maps.of(rgb, part), wider=whole)
    flame = np.unravel_index(int(whole.flame.argmax()), whole.flame.shape)
    low, high = np.argwhere(region.mask).min(axis=0), np.argwhere(region.mask).max(axis=0)
    long, middle = float((high - low).max()) / max(whole.vessel.shape), (low + high)[::-1] / 2
    burning = np.array(flame[::-1]) if whole.flame.max() > PERHAPS_A_FLAME else middle
    for share in sorted(OTHER_LOOKS, key=lambda share: abs(np.log(share / (AMPLE * long)))):
        reach, seen = share * max(size) / 2, (middle if share > long else burning) / whole.scale
        left, top, right, bottom = np.clip([*(seen - reach), *(seen + reach)], 0, 2 * size)
        near = Maps.of(rgb, (slice(int(top), int(bottom)), slice(int(left), int(right))))
        cut = region_of(near)
        if cut is not None and _is_cut(cut.mask):
            near = Maps.of(rgb, about(near, cut, size, MARGINS))
        yield replace(near, wider=whole)


def _is_cut(mask: NDArray[np.bool_]) -> bool:
    """Whether the region goes on below or beside the part of the picture that is shown."""
    return bool(mask[-1].any() or mask[:, 0].any() or mask[:, -1].any())


def _has_the_shape(seen: Filled, *, sure: bool) -> bool:
    """Whether region and mouth are those of the known shape; `sure` where others were not."""
    front, back = seen.poses.circle_px(seen.poses.frustum.height_mm, np.array([0.0, np.pi]))[0]
    is_open = float(np.linalg.norm(front - back)) > OPEN_PX
    body, mouth = (SURE_OVERLAP, SURE_MOUTH) if sure else (LEAST_OVERLAP, LEAST_MOUTH)
    return seen.overlap >= body and (seen.mouth_overlap >= mouth or not is_open)


def _in_picture(seen: Filled, camera: Camera, maps: Maps) -> Located:
    """The silhouette's pose in the working picture; nothing is known of its edges yet."""
    factor = 1 / maps.scale
    units = np.array([factor, factor, 1.0, 1.0, 1.0])
    corner = np.array([*maps.corner, 0.0, 0.0, 0.0])
    pose = SidePose.of(seen.poses.frustum, camera, resized(seen.poses.vectors, factor)[0] + corner)
    return Located(pose, seen.covariance * np.outer(units, units), {})


def _larger_side_px(one: Located) -> float:
    frustum = one.pose.frustum
    return (
        max(2 * frustum.middle_radius_mm, frustum.height_mm) * one.pose.camera.f_px / float(np.exp(one.pose.vector[2]))
    )


NO_VESSEL_HINT = "Take the whole vessel from the side, at the height of its rim, alone on a plain table."


def _require_whole(rgb: RgbImage, best: Located) -> None:
    """The walls between rim and base must be in the picture."""
    ends = np.concatenate([best.pose.poses.wall_px(side, np.array([0.02, 0.98]))[0] for side in (-1, 1)])
    height, width = rgb.shape[:2]
    if (ends < 0).any() or (ends[:, 0] > width - 1).any() or (ends[:, 1] > height - 1).any():
        raise Declined("rim-cut-off", hint="Go back a little until the whole vessel and its flame are in the picture.")
