"""One photo in, one result out: the service that the command line, the batch and the phone page all call."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pooleye.errors import UsageError
from pooleye.flags import REASONS, Declined
from pooleye.measurement import PhotoResult, View

if TYPE_CHECKING:
    from pooleye.photo import Photo
    from pooleye.side.moving import HeightSeries

METHOD_BEFORE_MEASURING = "load/1"
# Tea-light cups have some 37 mm; the widest bowls sold as one candle have some 300 mm.
RIM_RANGE_MM = (15.0, 400.0)
HEIGHT_RANGE_MM = (5.0, 600.0)
MISTAKEN_UNITS = (("in", 25.4), ("cm", 10.0))


@dataclass(frozen=True)
class Vessel:
    """What callipers say about the vessel, in mm. `base_inner_mm` None: straight walls.

    Raises UsageError, in a maker's words, for sizes that no candle vessel has or that contradict each other.
    """

    rim_inner_mm: float
    rim_outer_mm: float | None = None
    base_inner_mm: float | None = None
    height_mm: float | None = None

    def __post_init__(self) -> None:
        _require_range("inner rim diameter", self.rim_inner_mm, RIM_RANGE_MM)
        _require_range("outer rim diameter", self.rim_outer_mm, RIM_RANGE_MM)
        _require_range("inner base diameter", self.base_inner_mm, RIM_RANGE_MM)
        _require_range("vessel height", self.height_mm, HEIGHT_RANGE_MM)
        if self.rim_outer_mm is not None and self.rim_outer_mm <= self.rim_inner_mm:
            raise UsageError(
                "rims-swapped",
                f"the outer rim ({self.rim_outer_mm:g} mm) is not wider than the inner rim ({self.rim_inner_mm:g} mm)",
                hint="measure the opening from wall to wall for the inner, over the lips for the outer rim",
            )

    def check_headspace(self, headspace_mm: float | None) -> None:
        """Raises UsageError for a headspace that does not fit into the vessel."""
        if headspace_mm is None:
            return
        deepest_mm = self.height_mm or HEIGHT_RANGE_MM[1]
        if not 0 <= headspace_mm < deepest_mm:
            raise UsageError(
                "headspace-absurd",
                f"a headspace of {headspace_mm:.1f} mm does not fit into a vessel {deepest_mm:.0f} mm high",
                hint="measure from the rim straight down to the wax",
            )


@dataclass(frozen=True, eq=False)
class Measured:
    """A result with the working picture it came from (None when the file could not be read), for overlays; of a clip
    also the flame's height over time."""

    result: PhotoResult
    photo: Photo | None
    series: HeightSeries | None = None

    @property
    def unread(self) -> bool:
        """Whether the file itself could not be taken in (exit status 1)."""
        return self.result.reason is not None and REASONS[self.result.reason].unread


def measure_photo(
    path: str | Path,
    vessel: Vessel,
    *,
    view: View = "auto",
    headspace_mm: float | None = None,
    baseline: str | Path | Photo | None = None,
    baseline_headspace_mm: float | None = None,
) -> PhotoResult:
    """Measures one photo. What cannot be measured comes back declined, with a reason and a hint.

    Raises UsageError only for a headspace that cannot be right.
    """
    return measure_with_picture(
        path,
        vessel,
        view=view,
        headspace_mm=headspace_mm,
        baseline=baseline,
        baseline_headspace_mm=baseline_headspace_mm,
    ).result


def measure_with_picture(
    path: str | Path,
    vessel: Vessel,
    *,
    view: View = "auto",
    headspace_mm: float | None = None,
    baseline: str | Path | Photo | None = None,
    baseline_headspace_mm: float | None = None,
) -> Measured:
    """As `measure_photo`, and keeps the working picture. A clip is measured as one, from the side."""
    from pooleye.clip import is_clip
    from pooleye.legibility import check_picture
    from pooleye.photo import load_photo

    vessel.check_headspace(headspace_mm)
    if is_clip(path):
        return _measure_clip(str(path), vessel, view, headspace_mm)
    vessel.check_headspace(baseline_headspace_mm)
    started_s = time.perf_counter()
    photo: Photo | None = None
    try:
        photo = load_photo(path)
        check_picture(photo.rgb)
        view, doubts = _settled_view(view, photo)
        result = _measure_view(photo, vessel, view, headspace_mm, baseline, baseline_headspace_mm)
        if doubts and result.status == "declined":
            other: View = "side" if view == "top" else "top"
            second = _measure_view(photo, vessel, other, headspace_mm, baseline, baseline_headspace_mm)
            result = second if second.status == "measured" else result
        result = result.with_flags(*doubts)
    except Declined as why:
        result = PhotoResult.from_declined(str(path), view, why, method=METHOD_BEFORE_MEASURING)
    return Measured(result.with_seconds(time.perf_counter() - started_s), photo)


def measure_soot_all_round(
    first: str | Path,
    second: str | Path,
    vessel: Vessel,
    *,
    headspace_mm: float | None = None,
    baseline: str | Path | None = None,
    baseline_headspace_mm: float | None = None,
) -> Measured:
    """Soot on one rim from two photos from above, taken from two sides, by the clock of the first."""
    from pooleye.legibility import check_picture
    from pooleye.photo import load_photo
    from pooleye.top.measure import measure_soot_all_round as measure_both

    vessel.check_headspace(headspace_mm)
    vessel.check_headspace(baseline_headspace_mm)
    started_s = time.perf_counter()
    photos: list[Photo] = []
    for path in (first, second):
        try:
            photos.append(load_photo(path))
            check_picture(photos[-1].rgb)
        except Declined as why:
            return Measured(PhotoResult.from_declined(str(path), "top", why, method=METHOD_BEFORE_MEASURING), None)
    clean, flags = _loaded_baseline(baseline)
    one, two = photos
    result = measure_both(
        one, two, vessel, headspace_mm=headspace_mm, baseline=clean, baseline_headspace_mm=baseline_headspace_mm
    )
    return Measured(result.with_flags(*flags).with_seconds(time.perf_counter() - started_s), one)


def _settled_view(view: View, photo: Photo) -> tuple[View, tuple[str, ...]]:
    """Which view the photo is measured as, and a flag where the picture does not tell clearly."""
    if view != "auto":
        return view, ()
    from pooleye.viewpoint import viewpoint_of

    return viewpoint_of(photo)


def measure_burst(paths: Sequence[str | Path], vessel: Vessel, *, headspace_mm: float | None = None) -> Measured:
    """Stills taken in quick succession from the side, measured as one: the flame's height over time.

    The result bears the name of the photo its outlines belong to. Raises UsageError where the photos are no burst.
    """
    from pooleye.burst import burst_pictures

    vessel.check_headspace(headspace_mm)
    return _measure_moving(str(paths[0]) if paths else "", lambda: burst_pictures(paths), vessel, headspace_mm)


def _measure_clip(path: str, vessel: Vessel, view: View, headspace_mm: float | None) -> Measured:
    """A clip; clips are taken from the side."""
    from pooleye.clip import Clip

    clip = Clip(path)

    def pictures() -> Iterable[tuple[Photo, float | None]]:
        if view == "top":
            raise Declined("clip-from-above")
        return ((frame.photo, frame.time_s) for frame in clip.frames())

    measured = _measure_moving(path, pictures, vessel, headspace_mm)
    return replace(measured, result=measured.result.with_flags(*clip.flags))


def _measure_moving(
    path: str,
    pictures: Callable[[], Iterable[tuple[Photo, float | None]]],
    vessel: Vessel,
    headspace_mm: float | None,
) -> Measured:
    from pooleye.side.moving import METHOD, measure_moving

    started_s = time.perf_counter()
    try:
        moving = measure_moving(pictures(), vessel, headspace_mm=headspace_mm)
    except Declined as why:
        result = PhotoResult.from_declined(path, "side", why, method=METHOD)
        return Measured(result.with_seconds(time.perf_counter() - started_s), None)
    return Measured(moving.result.with_seconds(time.perf_counter() - started_s), moving.photo, moving.series)


def _measure_view(
    photo: Photo,
    vessel: Vessel,
    view: View,
    headspace_mm: float | None,
    baseline: str | Path | Photo | None,
    baseline_headspace_mm: float | None,
) -> PhotoResult:
    if view == "side":
        from pooleye.side.measure import measure_side

        return measure_side(photo, vessel, headspace_mm=headspace_mm)
    from pooleye.top.measure import measure_top

    clean, flags = _loaded_baseline(baseline)
    result = measure_top(
        photo, vessel, headspace_mm=headspace_mm, baseline=clean, baseline_headspace_mm=baseline_headspace_mm
    )
    return result.with_flags(*flags)


def _loaded_baseline(baseline: str | Path | Photo | None) -> tuple[Photo | None, tuple[str, ...]]:
    """The baseline photo, or none and the flag that says so: a bad baseline must not cost the photo itself."""
    from pooleye.photo import Photo, load_photo

    if baseline is None or isinstance(baseline, Photo):
        return baseline, ()
    try:
        return load_photo(baseline), ()
    except Declined:
        return None, ("baseline-unusable",)


def _require_range(what: str, length_mm: float | None, range_mm: tuple[float, float]) -> None:
    low, high = range_mm
    if length_mm is None or low <= length_mm <= high:
        return
    words = "small" if length_mm < low else "large"
    raise UsageError(
        "size-absurd",
        f"{what}: {length_mm:g} mm is too {words} for a candle vessel",
        looked_for=f"{low:g} mm to {high:g} mm",
        hint=_unit_advice(length_mm, range_mm),
    )


def _unit_advice(length_mm: float, range_mm: tuple[float, float]) -> str:
    """A number out of range is most often one in another unit: 3 for 3 in, 76in for 76 mm."""
    low, high = range_mm
    likely = [f"{length_mm:g}{unit}" for unit, factor in MISTAKEN_UNITS if low <= length_mm * factor <= high]
    likely += [f"{length_mm / factor:g}mm" for _, factor in MISTAKEN_UNITS if low <= length_mm / factor <= high]
    if not likely:
        return "measure it with callipers or a ruler and write it as 76mm or 3in"
    return f"a number without a unit is mm; if you meant it, write {' or '.join(likely)}"
