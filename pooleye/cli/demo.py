"""`pooleye demo`: measures the sample photos, builds a workshop's burn log, leaves a folder that a phone can show."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[
        str, typer.Argument(metavar="[DIR]", help="Where to leave pages, pictures and log.")
    ] = "pooleye-demo",
    photos_only: Annotated[
        bool, typer.Option("--photos-only", help="Only the fifteen sample photos, no burn log.")
    ] = False,
    cores: Annotated[
        int | None, typer.Option(metavar="NUMBER", min=1, help="Processes that measure; else one a core.")
    ] = None,
) -> None:
    """Measure the sample photos and build an invented workshop's burn log with its reports.

    Run again, it measures what is new and writes the pages anew.
    """
    from pooleye.cli.log_photos import progress_bar
    from pooleye.report.demo import run_demo

    with progress_bar(photos_only) as progress:
        for line in run_demo(folder, with_workshop=not photos_only, progress=progress, workers=cores):
            typer.echo(line)
