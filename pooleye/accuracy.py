"""How near the numbers come: a folder of photos with known truth, measured and compared.

The truth is a truth.json in the form of tests/photos/README.md. Each photo is measured with what a burn log would know
of it: the vessel's sizes to 0.1 mm, the photo of the new candle as baseline, and, unless that is what is tried, the
headspace to the millimetre. `pooleye.report.accuracy_page` writes it down for people.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from pooleye.errors import UsageError
from pooleye.measurement import PhotoResult, Quantity
from pooleye.measuring import Vessel, measure_photo
from pooleye.optics.camera import camera_for
from pooleye.optics.circle_pose import circle_poses
from pooleye.optics.ellipse import Ellipse
from pooleye.optics.planes import SECTORS, VesselFrame
from pooleye.photo import Photo, load_photo

Shot = Mapping[str, Any]
Headspace = Literal["given", "unknown"]
MOST_MISSING = 0.10  # share of the photos in which a quantity may be missing
MOST_DECLINED = 0.03  # share of the good photos that may be declined
WITHIN_2U = (0.90, 0.99)
SOOTY_L, CLEAN_L = -4.0, -2.0  # true darkening of a sector; between the two it may be the simulation's noise
SOOT_TO_SEE_L, NO_SOOT_L = -6.0, -3.0  # must be noticed; must not be reported on a clean wall
SMOKE_SEEN = 0.15
BLANK: tuple[float | None, ...] = (None,) * 12


@dataclass(frozen=True)
class Deviation:
    """One comparison: measured minus true in the unit of its bar (None: the quantity is missing), and over u."""

    file: str
    error: float | None
    z: float | None = None


@dataclass(frozen=True)
class Bar:
    """What is asked of a quantity: median and 95th percentile of |error|, in `unit`; twice that for lengths where the
    headspace is unknown."""

    name: str
    view: str
    median: float
    p95: float
    unit: str
    compare: Callable[[Shot, PhotoResult], Iterable[tuple[float | None, float | None]]]
    only: Headspace | None = None  # the mode in which it is asked for; None: both

    def wideness(self, headspace: Headspace) -> float:
        """Factor on the bars."""
        return 2.0 if headspace == "unknown" and self.unit == "mm" else 1.0


@dataclass(frozen=True)
class Score:
    """What became of one quantity in a set of photos; errors in the bar's unit."""

    bar: Bar
    headspace: Headspace
    deviations: tuple[Deviation, ...]

    @property
    def errors(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Of those that are there."""
        return np.array([d.error for d in self.deviations if d.error is not None], dtype=float)

    @property
    def zs(self) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Errors over u, where there is a u."""
        return np.array([d.z for d in self.deviations if d.z is not None], dtype=float)

    @property
    def missing(self) -> int:
        """Photos in which the quantity could have been had and was not."""
        return sum(d.error is None for d in self.deviations)

    @property
    def median(self) -> float:
        """Of |error|."""
        return float(np.median(np.abs(self.errors))) if len(self.errors) else float("nan")

    @property
    def p95(self) -> float:
        """Of |error|."""
        return float(np.quantile(np.abs(self.errors), 0.95)) if len(self.errors) else float("nan")

    @property
    def bias(self) -> float:
        """Median error, with its sign."""
        return float(np.median(self.errors)) if len(self.errors) else float("nan")

    @property
    def within_2u(self) -> float:
        """Share; nan without any u."""
        return float((np.abs(self.zs) <= 2).mean()) if len(self.zs) else float("nan")

    @property
    def z_spread(self) -> float:
        """Standard deviation of error over u: 1 for an honest u, more for one too small."""
        return float(self.zs.std()) if len(self.zs) else float("nan")

    @property
    def median_holds(self) -> bool:
        """Whether it is within its bar."""
        return self.median <= self.bar.median * self.bar.wideness(self.headspace)

    @property
    def p95_holds(self) -> bool:
        """Whether it is within its bar."""
        return self.p95 <= self.bar.p95 * self.bar.wideness(self.headspace)

    @property
    def is_there(self) -> bool:
        """Whether few enough are missing."""
        return self.missing <= MOST_MISSING * len(self.deviations)

    def written(self, error: float) -> str:
        """An error with as many digits as its bar makes worth reading."""
        return f"{error:.4f}" if self.bar.median < 0.1 else f"{error:.2f}"


@dataclass(frozen=True)
class Annotated:
    """A folder of photos with their truth. `kept_out`: candles of which no photo trained the network."""

    folder: Path
    shots: tuple[Shot, ...]
    kept_out: frozenset[str]
    about: str

    def seen_from(self, view: str) -> Annotated:
        """Only the photos of one view; all of them for "both"."""
        return replace(self, shots=tuple(shot for shot in self.shots if view in ("both", shot["view"])))

    def baseline_of(self, shot: Shot) -> Shot | None:
        """The good photo from above of the same candle, new and unlit, if that is another one."""
        if shot["view"] != "top":
            return None
        for other in self.shots:
            if (
                other.get("candle") == shot.get("candle")
                and other["view"] == "top"
                and other.get("checkpoint_minutes") is None
                and other["measurable"]
            ):
                return None if other["file"] == shot["file"] else other
        return None


@dataclass(frozen=True)
class Tried:
    """One photo of the set, measured."""

    shot: Shot
    result: PhotoResult

    @property
    def file(self) -> str:
        """Name of the photo in its folder."""
        return str(self.shot["file"])


@dataclass(frozen=True)
class Trial:
    """All photos of a set measured in one mode; `complete` False where it was interrupted."""

    headspace: Headspace
    tried: tuple[Tried, ...]
    kept_out: frozenset[str]
    complete: bool = True

    def only_kept_out(self) -> Trial:
        """The part of candles kept out of the network's training."""
        part = tuple(t for t in self.tried if t.shot.get("candle") in self.kept_out)
        return Trial(self.headspace, part, self.kept_out, self.complete)

    @property
    def good(self) -> tuple[Tried, ...]:
        """Photos that a careful person would measure."""
        return tuple(t for t in self.tried if t.shot["measurable"])

    @property
    def bad(self) -> tuple[Tried, ...]:
        """Photos that a careful person would refuse."""
        return tuple(t for t in self.tried if not t.shot["measurable"])

    @property
    def declined_good(self) -> tuple[Tried, ...]:
        """Good photos that were declined."""
        return tuple(t for t in self.good if t.result.status == "declined")

    @property
    def measured_bad(self) -> tuple[Tried, ...]:
        """Bad photos that were measured nevertheless."""
        return tuple(t for t in self.bad if t.result.status == "measured")

    def scores(self) -> list[Score]:
        """One for each quantity that any photo of the set can show."""
        return [s for s in (self._score(bar) for bar in BARS if bar.only in (None, self.headspace)) if s.deviations]

    def within_2u(self) -> float:
        """Share over all quantities."""
        within, of = self._counted_within_2u()
        return within / of if of else float("nan")

    def within_2u_interval(self) -> tuple[float, float]:
        """The shares, 0 to 1, that so many values leave possible: exact 95 % interval of a binomial share (Clopper &
        Pearson, Biometrika 26, 1934), as if the values were independent. (0, 1) without any u."""
        from scipy.stats import binomtest

        within, of = self._counted_within_2u()
        if not of:
            return 0.0, 1.0
        low, high = binomtest(within, of).proportion_ci(0.95)
        return float(low), float(high)

    def _counted_within_2u(self) -> tuple[int, int]:
        zs = np.concatenate([score.zs for score in self.scores()] or [np.zeros(0)])
        return int((np.abs(zs) <= 2).sum()), len(zs)

    def soot_mistakes(self) -> tuple[int, list[str], list[str]]:
        """Photos judged for soot seen or not, those in which it was missed, and those with a false alarm."""
        judged = [(t.file, told) for t in self.good if (told := _soot_seen(t)) is not None]
        missed = [file for file, (true, seen) in judged if true and not seen]
        return len(judged), missed, [file for file, (true, seen) in judged if seen and not true]

    def debris_mistakes(self) -> tuple[int, list[str]]:
        """Photos judged for debris on the wax or none, and the wrong ones."""
        judged = [
            (t.file, bool(t.shot["debris_present"]), t.result.quantities["debris_count"].value >= 1)
            for t in self.good
            if "debris_present" in t.shot and "debris_count" in t.result.quantities
        ]
        return len(judged), [file for file, true, seen in judged if true != seen]

    def smoke_mistakes(self) -> tuple[int, list[str]]:
        """Photos judged for smoke seen or not, and the wrong ones."""
        judged = [
            (t.file, bool(t.shot["smoke"]["present"]), t.result.quantities["smoke_strength"].value > SMOKE_SEEN)
            for t in self.good
            if t.shot.get("smoke") and "smoke_strength" in t.result.quantities
        ]
        return len(judged), [file for file, true, seen in judged if true != seen]

    def _score(self, bar: Bar) -> Score:
        found = [
            Deviation(t.file, error, z)
            for t in self.good
            if t.shot["view"] == bar.view and t.result.status == "measured"
            for error, z in bar.compare(t.shot, t.result)
        ]
        return Score(bar, self.headspace, tuple(found))


def read_annotated(folder: str | Path) -> Annotated:
    """The photos of a folder that its truth.json describes. Raises UsageError, in words, where there are none."""
    path = Path(folder) / "truth.json"
    try:
        told = json.loads(path.read_text(encoding="utf-8"))
        about = told if isinstance(told, dict) else {}
        pictures = path.parent / about.get("folder", "")
        shots = tuple(shot for shot in about.get("shots", told) if (pictures / shot["file"]).is_file())
        kept_out = frozenset(about.get("kept_out_of_training", ()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UsageError(
            "truth-unreadable",
            f"{path} does not say what is true of the photos ({error})",
            looked_for="a truth.json in the form that tests/photos/README.md describes",
            hint="name a folder of photos with its truth.json",
        ) from error
    if not shots:
        raise UsageError("photos-missing", f"none of the photos named in {path} is there", hint="copy them beside it")
    return Annotated(pictures, shots, kept_out, str(about.get("tuning", "")))


def try_photos(
    photos: Annotated, headspace: Headspace, progress: Callable[[int, int], None] = lambda done, of: None
) -> Trial:
    """Measures them all; Ctrl-C ends it with what was measured so far."""
    tried: list[Tried] = []
    clean: dict[str, Photo] = {}
    try:
        for shot in photos.shots:
            result = measure_shot(photos, shot, headspace, clean)
            tried.append(Tried(shot, result))
            progress(len(tried), len(photos.shots))
    except KeyboardInterrupt:
        return Trial(headspace, tuple(tried), photos.kept_out, complete=False)
    return Trial(headspace, tuple(tried), photos.kept_out)


def measure_shot(photos: Annotated, shot: Shot, headspace: Headspace, clean: dict[str, Photo]) -> PhotoResult:
    """One photo, with what a log would know. `clean` keeps the last opened baseline."""
    base = photos.baseline_of(shot)
    if base is not None and base["file"] not in clean:
        clean.clear()
        clean[base["file"]] = load_photo(photos.folder / base["file"])
    return measure_photo(
        photos.folder / shot["file"],
        vessel_of(shot),
        view="side" if shot["view"] == "side" else "top",
        headspace_mm=headspace_of(shot, headspace),
        baseline=None if base is None else clean[base["file"]],
    )


def vessel_of(shot: Shot) -> Vessel:
    """The vessel as callipers would give it, to 0.1 mm."""
    known = shot["vessel"]
    tapered = known.get("shape") == "tapered"

    def length(name: str) -> float | None:
        return round(float(known[name]), 1) if known.get(name) else None

    return Vessel(
        round(float(known["rim_inner_diameter_mm"]), 1),
        length("outer_diameter_mm"),
        length("inner_base_diameter_mm") if tapered else None,
        length("height_mm"),
    )


def headspace_of(shot: Shot, headspace: Headspace) -> float | None:
    """As a ruler would give it, to the millimetre."""
    true = shot.get("headspace_mm")
    return float(round(true)) if headspace == "given" and true is not None else None


# --- what is compared ------------------------------------------------------------------------------------------------


def _deviation(found: Quantity | None, true: float, scale: float = 1.0) -> tuple[float | None, float | None]:
    """(error times `scale`, error over u); (None, None) for a quantity that is missing."""
    if found is None:
        return None, None
    return scale * (found.value - true), (found.value - true) / found.u


def _plain(
    name: str, true_of: Callable[[Shot], float | None], percent: bool = False
) -> Callable[[Shot, PhotoResult], list[tuple[float | None, float | None]]]:
    """Measured minus true; nothing where there is no truth; `percent` of the true value."""

    def compare(shot: Shot, result: PhotoResult) -> list[tuple[float | None, float | None]]:
        true = true_of(shot)
        if true is None:
            return []
        return [_deviation(result.quantities.get(name), true, 100 / true if percent else 1.0)]

    return compare


def _pool(key: str) -> Callable[[Shot], float | None]:
    return lambda shot: shot["pool"][key] if shot["pool"]["present"] else None


def _hangup(key: str) -> Callable[[Shot], float | None]:
    return lambda shot: (shot.get("hangup_width_mm") or {}).get(key) if shot["pool"]["present"] else None


def _coverage(shot: Shot) -> float:
    return float(shot["pool"]["coverage"]) if shot["pool"]["present"] else 0.0


def _is_new(shot: Shot) -> bool:
    """A new candle's photo is the baseline itself: soot is not asked of it."""
    return shot.get("checkpoint_minutes") is None


def _rim(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    """Largest distance of the contour found from the true one, in percent of the rim's diameter."""
    found = result.outlines_px.rim
    if found is None:
        yield None, None
        return
    true = _ellipse(shot["rim_ellipse_px"])
    away = np.abs(true.orthogonal_residuals(_ellipse(found).points(720))).max()
    yield 100 * float(away) / (true.a + true.b), None


def _ellipse(told: Mapping[str, float]) -> Ellipse:
    return Ellipse(told["cx"], told["cy"], told["semi_major"], told["semi_minor"], float(np.radians(told["angle_deg"])))


def _hangup_by_clock(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    if not shot["pool"]["present"]:
        return
    found = result.by_clock.get("hangup_width", BLANK)
    for value, true in zip(found, shot["hangup_width_mm"]["by_sector"], strict=True):
        if true is not None:
            yield (None if value is None else value - true), None


def _wick_offset(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    """Under a flame it may be missing; of several wicks there is no one offset."""
    wick, found = shot["wick"], result.quantities.get("wick_offset")
    if len(shot.get("wicks", [wick])) > 1:
        return
    if found is not None or not wick["hidden_by_flame"]:
        yield _deviation(found, wick["offset_mm"])


def _wick_lean(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    """Under a flame it may be missing; of several wicks there is no one lean."""
    wick, found = shot["wick"], result.quantities.get("wick_lean")
    if len(shot.get("wicks", [wick])) == 1 and (found is not None or not wick["hidden_by_flame"]):
        yield _deviation(found, wick["lean_deg"])


def _carbon_ball(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    """Under a flame it may be missing; a bare wick of up to 1 mm is as good as none."""
    wick, found = shot["wick"], result.quantities.get("carbon_ball_diameter")
    true = wick["mushroom_diameter_mm"] or 0.0
    if true:
        if found is not None or not wick["hidden_by_flame"]:
            yield _deviation(found, true)
    elif found is not None:
        error = max(found.value - 1.0, 0.0)
        yield error, error / found.u


def _soot_sectors(sooty: bool) -> Callable[[Shot, PhotoResult], Iterator[tuple[float | None, float | None]]]:
    def compare(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
        if _is_new(shot):
            return
        found = result.by_clock.get("soot_delta_L", BLANK)
        shown = _sectors_shown(shot) if None in found else frozenset(range(SECTORS))
        for sector, (value, true) in enumerate(zip(found, shot["soot"]["delta_L_by_sector"], strict=True)):
            asked = true is not None and (true <= SOOTY_L if sooty else true >= CLEAN_L)
            if asked and (value is not None or sector in shown):
                yield (None if value is None else value - true), None

    return compare


def true_frame(shot: Shot) -> VesselFrame:
    """The vessel in space: of the rim's two poses the one in which pool or wick lie where they do."""
    camera = camera_for((shot["camera"]["width_px"], shot["camera"]["height_px"]), shot["camera"]["focal_35mm"])
    radius, vessel = shot["vessel"]["rim_inner_diameter_mm"] / 2, shot["vessel"]
    taper = (
        (vessel["inner_base_diameter_mm"] / 2, vessel["height_mm"]) if vessel["shape"] == "tapered" else (None, None)
    )
    frames = [
        VesselFrame(one, camera, radius, *taper)
        for one in circle_poses(_ellipse(shot["rim_ellipse_px"]), radius, camera)
    ]
    pool, wick = shot["pool"], shot["wick"]
    points, away = (wick["base_px"], wick["offset_mm"])
    if pool["present"]:
        points, away = pool["outline_px"], np.hypot(*np.transpose(pool["outline_mm"]))

    def off(frame: VesselFrame) -> float:
        return float(np.abs(np.hypot(*frame.to_plane(points, shot["headspace_mm"]).T) - away).max())

    return min(frames, key=off)


def _sectors_shown(shot: Shot) -> frozenset[int]:
    """Sectors of whose inner wall the picture shows anything at all: where a line of sight through the mouth meets the
    wall above the wax. The truth names no hidden ones on clean rims."""
    frame, deepest = true_frame(shot), min(10.0, shot["headspace_mm"])
    azimuth, depth = np.meshgrid(np.linspace(0, 2 * np.pi, 360, endpoint=False), np.linspace(0.3, deepest, 12))
    seen = frame.to_plane(frame.project(frame.wall_point(azimuth.ravel(), depth.ravel())), 0.0)
    inside = np.hypot(*seen.T) < frame.rim_radius_mm
    return frozenset(int(k) for k in np.unique(frame.sector_of_azimuth(azimuth.ravel()[inside])))


def _soot_mean(shot: Shot) -> float | None:
    mean = shot["soot"]["delta_L_mean"]
    return None if _is_new(shot) or mean is None else float(mean)


def _soot_arc(shot: Shot) -> float | None:
    """Degrees of sectors darker than ΔL* -3, where the picture shows the whole wall."""
    sectors = shot["soot"]["delta_L_by_sector"]
    if _is_new(shot) or None in sectors:
        return None
    return 30.0 * len([true for true in sectors if true <= NO_SOOT_L])


def _soot_seen(tried: Tried) -> tuple[bool, bool] | None:
    """(true, told) of "is there soot anywhere on the wall?"; None where the truth lies between the limits."""
    shot, result = tried.shot, tried.result
    if shot["view"] != "top" or _is_new(shot) or result.status != "measured":
        return None
    true = [value for value in shot["soot"]["delta_L_by_sector"] if value is not None]
    if shot["soot"]["present"] and min(true, default=0.0) > SOOT_TO_SEE_L:
        return None
    told = [value for value in result.by_clock.get("soot_delta_L", BLANK) if value is not None]
    if "soot_delta_L" in result.quantities:
        told.append(result.quantities["soot_delta_L"].value)
    return bool(shot["soot"]["present"]), min(told, default=0.0) < NO_SOOT_L


def _flame_height(shot: Shot, result: PhotoResult) -> Iterator[tuple[float | None, float | None]]:
    """In percent. Anywhere between the bright part alone and the whole flame with its faint blue foot is right, as
    long as value + 2u reaches the whole; not asked where the picture hardly shows the flame."""
    flame = shot["flame"]
    if not flame["present"]:
        return
    hidden = (flame.get("hidden_by_opaque_wall_mm") or 0.0) > 1.0
    whole = flame["visible_height_mm"] if hidden else flame["height_mm"]
    bright = min((flame.get("bright_part") or {}).get("height_mm") or 0.0, whole)
    if whole < 3 or bright < 0.6 * whole:
        return
    found = result.quantities.get("flame_height_visible" if hidden else "flame_height")
    if found is None:
        yield None, None
        return
    low = bright if found.value + 2 * found.u >= whole else whole
    error = found.value - min(max(found.value, low), whole)
    yield 100 * error / max(whole, 10.0), error / found.u


def _flame(key: str) -> Callable[[Shot], float | None]:
    return lambda shot: shot["flame"][key] if shot["flame"]["present"] else None


def _seen_side(part: str, key: str) -> Callable[[Shot], float | None]:
    return lambda shot: shot[part][key] if (shot.get(part) or {}).get("visible") else None


def _camera_height(shot: Shot) -> float | None:
    """Without a focal length in the file it is not asked for."""
    return float(shot["camera"]["height_mm"]) if shot["camera"]["has_exif"] else None


BARS: tuple[Bar, ...] = (
    Bar("rim", "top", 0.4, 1.0, "% of its diameter", _rim),
    Bar("pool_diameter", "top", 1.0, 3.0, "mm", _plain("pool_diameter", _pool("equivalent_diameter_mm"))),
    Bar("pool_diameter_min", "top", 1.2, 3.5, "mm", _plain("pool_diameter_min", _pool("min_diameter_mm"))),
    Bar("pool_diameter_max", "top", 1.2, 3.5, "mm", _plain("pool_diameter_max", _pool("max_diameter_mm"))),
    Bar("pool_coverage", "top", 0.02, 0.06, "1", _plain("pool_coverage", _coverage)),
    Bar("pool_offset", "top", 1.0, 2.5, "mm", _plain("pool_offset", _pool("offset_mm"))),
    Bar("hangup_mean", "top", 0.7, 2.0, "mm", _plain("hangup_mean", _hangup("mean"))),
    Bar("hangup_max", "top", 1.2, 3.5, "mm", _plain("hangup_max", _hangup("max"))),
    Bar("hangup_width by clock", "top", 0.9, 2.5, "mm", _hangup_by_clock),
    Bar("wick_offset", "top", 1.0, 2.5, "mm", _wick_offset),
    Bar("wick_lean", "top", 6.0, 15.0, "deg", _wick_lean),
    Bar("carbon_ball_diameter", "top", 0.7, 2.0, "mm", _carbon_ball),
    Bar("soot_delta_L", "top", 1.0, 3.0, "L*", _plain("soot_delta_L", _soot_mean)),
    Bar("soot_delta_L by clock, sooty", "top", 2.0, 6.0, "L*", _soot_sectors(sooty=True)),
    Bar("soot_delta_L by clock, clean", "top", 1.5, 4.0, "L*", _soot_sectors(sooty=False)),
    Bar("soot_arc", "top", 30.0, 75.0, "deg", _plain("soot_arc", _soot_arc)),
    Bar("headspace", "top", 2.0, 5.0, "mm", _plain("headspace", lambda shot: shot["headspace_mm"]), "unknown"),
    Bar("camera_height", "top", 2.0, 5.0, "%", _plain("camera_height", _camera_height, percent=True)),
    Bar("tilt", "top", 1.0, 2.5, "deg", _plain("tilt", lambda shot: shot["camera"]["tilt_deg"])),
    Bar("flame_height", "side", 3.0, 8.0, "%", _flame_height),
    Bar("flame_width", "side", 8.0, 20.0, "%", _plain("flame_width", _flame("width_mm"), percent=True)),
    Bar("flame_lean", "side", 1.5, 4.0, "deg", _plain("flame_lean", _flame("lean_deg"))),
    Bar("wax_level", "side", 1.0, 3.0, "mm", _plain("wax_level", _seen_side("wax_level", "height_mm"))),
    Bar("pool_depth", "side", 1.0, 3.0, "mm", _plain("pool_depth", _seen_side("pool_depth_mm", "value"))),
)


def worst(trial: Trial, most: int) -> list[tuple[str, list[str]]]:
    """The photos farthest beyond what is asked, at most `most`, and which quantities are off in each (in words)."""
    off: dict[str, dict[str, tuple[float, str]]] = {}
    for score in trial.scores():
        limit = score.bar.p95 * score.bar.wideness(trial.headspace)
        for deviation in score.deviations:
            if deviation.error is not None and abs(deviation.error) > limit:
                sign = "+" if deviation.error > 0 else ""
                words = f"`{score.bar.name}` off by {sign}{score.written(deviation.error)} {score.bar.unit}"
                words = words.removesuffix(" 1")
                entry = (abs(deviation.error) / limit, words)
                here = off.setdefault(deviation.file, {})
                here[score.bar.name] = max(here.get(score.bar.name, (0.0, "")), entry)
    order = sorted(off, key=lambda file: -max(ratio for ratio, _ in off[file].values()))
    return [(file, _as_words(off[file].values())) for file in order[:most]]


def _as_words(entries: Iterable[tuple[float, str]]) -> list[str]:
    return [words for _, words in sorted(entries, reverse=True)]


def as_text(trial: Trial, scores: Sequence[Score]) -> str:
    """A table for the terminal; what is beyond its bar carries a star."""
    titles = ("n", "none", "median", "bar", "p95", "bar", "bias", "in 2u", "sd z")
    lines = [
        f"{len(trial.good)} good photos, {len(trial.declined_good)} declined; "
        f"{len(trial.bad)} bad ones, {len(trial.measured_bad)} not declined",
        f"{'quantity':29}" + "".join(f"{title:>8}" for title in titles) + "  unit",
        *(
            f"{score.bar.name:29}" + "".join(f"{cell:>8}" for cell in _cells(score)) + _ending(score)
            for score in scores
        ),
        f"within 2u, all quantities: {trial.within_2u():.3f} (asked for: {WITHIN_2U[0]:.2f} to {WITHIN_2U[1]:.2f})",
    ]
    return "\n".join(lines)


def _cells(score: Score) -> list[str]:
    wide = score.bar.wideness(score.headspace)
    return [
        str(len(score.errors)),
        str(score.missing),
        score.written(score.median) + ("" if score.median_holds else "*"),
        f"{wide * score.bar.median:g}",
        score.written(score.p95) + ("" if score.p95_holds else "*"),
        f"{wide * score.bar.p95:g}",
        score.written(score.bias),
        f"{score.within_2u:.2f}",
        f"{score.z_spread:.2f}",
    ]


def _ending(score: Score) -> str:
    return f"  {score.bar.unit}" + ("" if score.is_there else ", too many missing")
