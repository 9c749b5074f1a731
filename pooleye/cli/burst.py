"""`pooleye burst`: several stills taken in quick succession, measured as one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pooleye.cli.photo_options import LENGTHS, BaseInner, Headspace, RimInner, RimOuter, VesselHeight


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("burst", epilog=LENGTHS)(burst)


def burst(
    photos: Annotated[list[str], typer.Argument(metavar="PHOTO...", help="All stills of one burst, from the side.")],
    rim_inner: RimInner = None,
    rim_outer: RimOuter = None,
    base_inner: BaseInner = None,
    vessel_height: VesselHeight = None,
    headspace: Headspace = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON object for the burst.")] = False,
    overlay: Annotated[
        str | None, typer.Option(metavar="DIR", help="Folder for a picture of what was found, with the flame's height.")
    ] = None,
) -> None:
    """Measure a burst of stills from the side as one: the flame's height over time and its flicker.

    A flicker's frequency needs the fractions of a second that most phones write into their photos; without them, mean,
    maximum and spread are given. Exit status as of measure.
    """
    from pooleye.cli.measure import drawn, given_headspace_mm, given_vessel, overlay_folder, say_cautions
    from pooleye.measuring import measure_burst
    from pooleye.report.text import result_as_text

    vessel = given_vessel(rim_inner, rim_outer, base_inner, vessel_height)
    folder = overlay_folder(overlay)
    outcome = measure_burst(photos, vessel, headspace_mm=given_headspace_mm(headspace, vessel, "headspace"))
    name = f"{Path(outcome.result.photo).stem}_burst.jpg"
    picture = drawn(outcome, vessel, folder / name) if folder else None
    typer.echo(outcome.result.to_json() if as_json else result_as_text(outcome.result, picture, outcome.series))
    if not as_json:
        say_cautions()
    raise typer.Exit(1 if outcome.unread else 0)
