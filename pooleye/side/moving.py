"""A clip or burst from the side: the flame's height over time, steadied on the vessel.

The vessel is looked for once and then followed from picture to picture: its shift by phase correlation (Kuglin &
Hines 1975; OpenCV), then its outline again. Heights are read above the vessel's own foot each time, so a hand that
moves does not make the flame move. The foot of the flame is that of the first picture: the wick does not flicker.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pooleye.flags import Declined
from pooleye.measurement import PhotoResult, Quantity
from pooleye.side.flame import Body
from pooleye.side.flames import flames_of
from pooleye.side.flicker import MIN_SECONDS, dominant_peak, spectrum_of
from pooleye.side.locate import Located, followed, vessel_part
from pooleye.side.measure import Scene, measured_scene, seen_scene
from pooleye.side.quantity import quantity
from pooleye.side.vessel import located_vessel

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

Array = NDArray[np.float64]
METHOD = "side-clip/1"

TRIES = 8  # pictures at the start of which one must show the vessel
MAX_LOST_SHARE = 0.3  # of the pictures without a flame, beyond which a flag says so
MAX_CUT_SHARE = 0.1  # of the pictures with the flame out of the picture
U_TIP_FRAME_MM = 0.12  # judged: scatter of one picture's tip, with the pose's own
STILL_PX, U_MOVED_PX = 5.0, 1.0  # judged on drawn scenes moved by many pixels
SAME_FLAME_MM = 8.0
NEAR_NYQUIST = 0.8
LOST_SHORTFALL = 0.3  # of the outline's lines, together, beyond which following has lost the vessel
SEARCHES = 60  # for it, in one clip
MIN_SPREAD = 5  # pictures; the spread of fewer is known to no better than 40 %


@dataclass(frozen=True, eq=False)
class HeightSeries:
    """The flame's height in each picture that shows it, mm; times in seconds, or None where the clip has none."""

    times_s: Array | None
    heights_mm: Array

    @property
    def resolution_hz(self) -> float | None:
        """Frequencies nearer to each other cannot be told apart: one over the length; None without times."""
        return None if self.times_s is None else 1.0 / float(self.times_s[-1] - self.times_s[0])


@dataclass(frozen=True, eq=False)
class Moving:
    """The result, the series behind it, and the picture its outlines belong to."""

    result: PhotoResult
    series: HeightSeries | None
    photo: Photo


@dataclass(frozen=True)
class _Seen:
    """`moved_px`: how far the vessel went since the picture before."""

    time_s: float | None
    tip_mm: float
    moved_px: float = 0.0


def measure_moving(
    pictures: Iterable[tuple[Photo, float | None]], vessel: Vessel, *, headspace_mm: float | None = None
) -> Moving:
    """Measures pictures in the order taken, each with its time in seconds or None.

    Raises Declined where none of the first pictures can be measured.
    """
    stream = iter(pictures)
    first, time_s, scene, soft = _first_scene(stream, vessel, headspace_mm)
    still = measured_scene(scene, soft)
    if not {"flame_height", "flame_height_visible"} & set(still.quantities):
        return Moving(_renamed(still), None, first)
    seen, count, cut = _followed_tips(stream, scene, time_s)
    if cut > MAX_CUT_SHARE * count:
        raise Declined("flame-cut-off")
    flags = list(still.flags)
    if len(seen) < (1 - MAX_LOST_SHARE) * count:
        flags.append("flame-lost-at-times")
    series = _series(seen, still)
    quantities, more = _over_time(series, still, _u_tip_mm(seen, scene))
    result = replace(still, quantities=dict(still.quantities) | quantities, flags=(*flags, *more), method=METHOD)
    return Moving(result, series, first)


def _first_scene(
    stream: Iterable[tuple[Photo, float | None]], vessel: Vessel, headspace_mm: float | None
) -> tuple[Photo, float | None, Scene, tuple[str, ...]]:
    """The first picture that shows the vessel and, if any of the first ones does, its flame."""
    why: Declined | None = None
    for _, (photo, time_s) in zip(range(TRIES), stream, strict=False):
        try:
            scene, soft = seen_scene(photo, vessel, headspace_mm)
            return photo, time_s, scene, soft
        except Declined as reason:
            why = why or reason
    raise why or Declined("unreadable", "the clip holds no pictures")


def _renamed(still: PhotoResult) -> PhotoResult:
    return replace(still, method=METHOD)


def _followed_tips(
    stream: Iterable[tuple[Photo, float | None]], scene: Scene, time_s: float | None
) -> tuple[list[_Seen], int, int]:
    """Tip heights of all pictures with a flame; how many pictures there were, and in how many the flame was cut off."""
    before, inner = scene.photo, float(scene.inner_radius_mm[0])
    located = followed(before.rgb, scene.located, np.zeros(2))  # as in every later picture
    body = _main_body(before.rgb, located, inner, scene.pool_mm, None)
    seen = [] if body is None else [_Seen(time_s, _tip_mm(body))]
    count, cut = 1, 0
    searches = SEARCHES
    for photo, at_s in stream:
        count += 1
        there = followed(photo.rgb, located, _shift_px(before.rgb, photo.rgb, located))
        if there.shortfall > scene.located.shortfall + LOST_SHORTFALL and searches:
            searches -= 1
            shift_px = _far_shift_px(photo, scene, located)
            if shift_px is None:
                continue
            there = followed(photo.rgb, located, shift_px)
        moved_px = float(np.linalg.norm(there.pose.vector[:2] - located.pose.vector[:2]))
        located, before = there, photo
        found = _main_body(photo.rgb, located, inner, scene.pool_mm, body)
        if found is None:
            continue
        body = found
        if body.top == "picture":
            cut += 1
        else:
            seen.append(_Seen(at_s, _tip_mm(body), moved_px))
    return seen, count, cut


def _far_shift_px(photo: Photo, scene: Scene, located: Located) -> Array | None:
    """Where following lost the vessel, since the hand moved too far, it is looked for anew; None where it is not seen.

    Only its place is taken from there: roll, tilt and distance go on as they were, so that heights stay comparable.
    """
    try:
        anew, _ = located_vessel(photo.rgb, scene.outside, scene.located.pose.camera)
    except Declined:
        return None
    middles = [one.pose.axis_px(one.pose.frustum.height_mm / 2)[0] for one in (anew, located)]
    return np.asarray(middles[0] - middles[1])


def _main_body(
    rgb: NDArray[np.uint8], located: Located, inner_radius_mm: float, pool_mm: float | None, before: Body | None
) -> Body | None:
    """The flame, or the one nearest to where it was before."""
    bodies = flames_of(rgb, located.pose, inner_radius_mm, pool_mm).bodies
    if before is not None:
        bodies = [body for body in bodies if abs(body.middle_mm - before.middle_mm) < SAME_FLAME_MM]
    return bodies[0] if bodies else None


def _tip_mm(body: Body) -> float:
    return body.top_mm


def _shift_px(before: NDArray[np.uint8], now: NDArray[np.uint8], located: Located) -> Array:
    """How far the vessel moved between two pictures, by phase correlation of its lower part, where no flame moves."""
    size = (min(before.shape[1], now.shape[1]), min(before.shape[0], now.shape[0]))
    rows, columns = vessel_part(located.pose, size, 0.25)
    rows = slice((rows.start + rows.stop) // 2, rows.stop)
    step = max((rows.stop - rows.start) // 160, 1)
    parts = [
        cv2.cvtColor(np.ascontiguousarray(picture[rows, columns][::step, ::step]), cv2.COLOR_RGB2GRAY).astype(
            np.float32
        )
        for picture in (before, now)
    ]
    window = cv2.createHanningWindow((parts[0].shape[1], parts[0].shape[0]), cv2.CV_32F)
    (x, y), response = cv2.phaseCorrelate(parts[0], parts[1], window)
    return np.array([x, y]) * step if response > 0.05 else np.zeros(2)


def _series(seen: list[_Seen], still: PhotoResult) -> HeightSeries:
    """Tips become heights by what the first picture's height says about the foot."""
    tips = np.array([one.tip_mm for one in seen])
    known = still.quantities.get("flame_height") or still.quantities["flame_height_visible"]
    heights = tips - tips[0] + known.value
    times = [one.time_s for one in seen]
    if any(time is None for time in times) or len(times) < 2:
        return HeightSeries(None, heights)
    return HeightSeries(np.array(times, dtype=float), heights)


def _u_tip_mm(seen: list[_Seen], scene: Scene) -> float:
    """Scatter of one picture's tip height; a hand that moves lets the outline fall differently on the pixels."""
    mm_per_px = float(np.exp(scene.located.pose.vector[2])) / scene.located.pose.camera.f_px
    moves = float(np.median([one.moved_px for one in seen])) > STILL_PX
    return float(np.hypot(U_TIP_FRAME_MM, U_MOVED_PX * mm_per_px if moves else 0.0))


def _over_time(series: HeightSeries, still: PhotoResult, u_tip_mm: float) -> tuple[dict[str, Quantity], list[str]]:
    heights = series.heights_mm
    name = "flame_height" if "flame_height" in still.quantities else "flame_height_visible"
    parts = dict(still.quantities[name].parts)
    found = {name: quantity(float(heights.mean()), "mm", parts | {"time": _u_mean(heights)})}
    if name == "flame_height":
        found["flame_height_max"] = quantity(float(heights.max()), "mm", parts | {"picture": u_tip_mm})
    if len(heights) < MIN_SPREAD or _shorter_than_a_swing(series.times_s):
        return found, ["clip-too-short"]
    found["flicker_amplitude"] = _amplitude(heights, parts, u_tip_mm)
    if series.times_s is None:
        return found, ["clip-times-missing"]
    frequency, flags = _frequency(series.times_s, heights, u_tip_mm)
    return found | frequency, flags


def _shorter_than_a_swing(times_s: Array | None) -> bool:
    """Whether the pictures lie so close together that they show less than one slow swing of the flame."""
    return times_s is not None and float(times_s[-1] - times_s[0]) < MIN_SECONDS


def _u_mean(heights: Array) -> float:
    return float(max(heights.std() / np.sqrt(len(heights)), 0.01))


def _amplitude(heights: Array, parts: Mapping[str, float], u_tip_mm: float) -> Quantity:
    """Amplitude of a sine with the heights' own variance: sqrt(2) times their standard deviation, noise taken off."""
    variance = max(float(heights.var(ddof=1)) - u_tip_mm**2, 0.0)
    amplitude = float(np.sqrt(2 * variance))
    scale = np.hypot(parts.get("vessel-outline", 0.0), parts.get("vessel-size", 0.0)) / max(float(heights.mean()), 1.0)
    few = max(amplitude, u_tip_mm) / np.sqrt(2 * (len(heights) - 1))
    noise = u_tip_mm**2 / max(amplitude, u_tip_mm)
    return quantity(amplitude, "mm", {"few-pictures": few, "noise": noise, "scale": float(scale) * amplitude})


def _frequency(times_s: Array, heights: Array, u_tip_mm: float) -> tuple[dict[str, Quantity], list[str]]:
    spectrum = spectrum_of(times_s, heights)
    if spectrum is None:
        return {}, ["clip-too-short"]
    peak = dominant_peak(times_s, heights, u_tip_mm)
    if peak is None:
        return {}, ["flicker-none"]
    sine_u = float(np.sqrt(max(peak.u_hz**2 - (0.1 * peak.resolution_hz) ** 2, 0.0)))
    parts = {"spectrum": sine_u, "resolution": 0.1 * peak.resolution_hz}
    flags = ["flicker-may-alias"] if peak.frequency_hz > NEAR_NYQUIST * spectrum.nyquist_hz else []
    return {"flicker_frequency": quantity(peak.frequency_hz, "Hz", parts)}, flags
