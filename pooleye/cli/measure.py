"""`pooleye measure`: photos in, numbers out, as a table for people or one JSON object per line for programs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.photo_options import (
    LENGTHS,
    BaseInner,
    Baseline,
    BaselineHeadspace,
    Headspace,
    RimInner,
    RimOuter,
    VesselHeight,
)
from pooleye.errors import UsageError

if TYPE_CHECKING:
    from pooleye.measurement import View
    from pooleye.measuring import Measured, Vessel
    from pooleye.photo import Photo


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("measure", epilog=LENGTHS)(measure)


def measure(
    photos: Annotated[list[str] | None, typer.Argument(metavar="PHOTO", help="Photos, or clips from the side.")] = None,
    view: Annotated[str, typer.Option(metavar="top|side|auto", help="Taken from above or from the side.")] = "auto",
    rim_inner: RimInner = None,
    rim_outer: RimOuter = None,
    base_inner: BaseInner = None,
    vessel_height: VesselHeight = None,
    headspace: Headspace = None,
    baseline: Baseline = None,
    baseline_headspace: BaselineHeadspace = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object per photo, one per line.")] = False,
    overlay: Annotated[
        str | None, typer.Option(metavar="DIR", help="Folder for pictures that show what was found.")
    ] = None,
) -> None:
    """Measure photos of candles: melt pool, hang-up, wick, soot; from the side flame, smoke, wax level, flicker.

    A photo that cannot be measured is declined, with advice for retaking it. The exit status is 0 if every file could
    be read, 1 if one could not, 2 if the command was used wrongly.
    """
    from pooleye.report.overlay import overlay_names
    from pooleye.report.text import result_as_text

    vessel = given_vessel(rim_inner, rim_outer, base_inner, vessel_height)
    asked = _required_photos(photos)
    checked_view = _checked_view(view)
    headspace_mm = given_headspace_mm(headspace, vessel, "headspace")
    baseline_headspace_mm = given_headspace_mm(baseline_headspace, vessel, "headspace of the baseline")
    folder = overlay_folder(overlay)
    clean = _loaded_baseline(baseline)
    outcomes = _measured(asked, vessel, checked_view, headspace_mm, clean, baseline_headspace_mm)
    any_unread = isinstance(clean, str)
    for outcome, name in zip(outcomes, overlay_names(asked), strict=True):
        picture = drawn(outcome, vessel, folder / name) if folder else None
        typer.echo(outcome.result.to_json() if as_json else result_as_text(outcome.result, picture, outcome.series))
        any_unread |= outcome.unread
    if not as_json:
        say_cautions()
    raise typer.Exit(1 if any_unread else 0)


def _measured(
    photos: list[str],
    vessel: Vessel,
    view: View,
    headspace_mm: float | None,
    baseline: Photo | str | None,
    baseline_headspace_mm: float | None,
) -> Iterator[Measured]:
    """Each photo measured only when it is asked for: one picture in memory at a time."""
    from pooleye.measuring import measure_with_picture

    for path in photos:
        yield measure_with_picture(
            path,
            vessel,
            view=view,
            headspace_mm=headspace_mm,
            baseline=baseline,
            baseline_headspace_mm=baseline_headspace_mm,
        )


def _loaded_baseline(path: str | None) -> Photo | str | None:
    """The baseline, decoded once for all photos; its path where it cannot be read, so that every result says so."""
    from pooleye.flags import Declined
    from pooleye.photo import load_photo

    try:
        return load_photo(path) if path else None
    except Declined as why:
        typer.echo(f"baseline photo {why.message}\n  try: {why.hint}", err=True)
        return path


def given_vessel(rim_inner: str | None, rim_outer: str | None, base_inner: str | None, height: str | None) -> Vessel:
    """The vessel of these options. Raises UsageError without the inner rim, or for sizes no vessel has."""
    from pooleye.measuring import Vessel

    if rim_inner is None:
        raise UsageError(
            "rim-missing",
            "the inner rim diameter of the vessel is needed; all other lengths are measured against it",
            hint="measure the opening from wall to wall and add, for example, --rim-inner 76mm",
        )
    return Vessel(
        _required_mm(rim_inner, "inner rim diameter"),
        _optional_mm(rim_outer, "outer rim diameter"),
        _optional_mm(base_inner, "inner base diameter"),
        _optional_mm(height, "vessel height"),
    )


def _required_mm(text: str, what: str) -> float:
    from pooleye.units import parse_length_mm

    return parse_length_mm(text, what)


def _optional_mm(text: str | None, what: str) -> float | None:
    return None if text is None else _required_mm(text, what)


def given_headspace_mm(text: str | None, vessel: Vessel, what: str) -> float | None:
    """A headspace that fits the vessel; 0 is one: wax up to the rim."""
    if text is not None and text.strip() in ("0", "0mm", "0 mm", "0in", "0 in"):
        return 0.0
    length_mm = _optional_mm(text, what)
    vessel.check_headspace(length_mm)
    return length_mm


def _required_photos(photos: list[str] | None) -> list[str]:
    if not photos:
        raise UsageError("photo-missing", "no photo was named", hint="pooleye measure photo.jpg --rim-inner 76mm")
    return photos


def _checked_view(view: str) -> View:
    views: dict[str, View] = {"top": "top", "side": "side", "auto": "auto"}
    if view in views:
        return views[view]
    raise UsageError("view-unknown", f"--view {view!r} is not known", looked_for="top, side or auto", hint="--view top")


def overlay_folder(name: str | None) -> Path | None:
    """The folder for overlays, made if need be. Raises UsageError where it cannot be."""
    if name is None:
        return None
    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(
            "folder-unusable",
            f"the folder {name} cannot be made ({error.strerror})",
            hint="name another --overlay folder",
        ) from error
    return folder


def drawn(outcome: Measured, vessel: Vessel, path: Path) -> Path | None:
    """Writes the overlay and gives its path, or None for a file that could not be read."""
    from pooleye.report.overlay import draw_overlay

    if outcome.photo is None:
        return None
    draw_overlay(outcome.photo, outcome.result, path, rim_inner_mm=vessel.rim_inner_mm, series=outcome.series)
    return path


def say_cautions() -> None:
    """The usual cautions, for people."""
    import textwrap

    from pooleye import cautions

    typer.echo(textwrap.fill(cautions.SHORT, 100))
