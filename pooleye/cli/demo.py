"""`pooleye demo`: measures the sample photos and leaves a folder that a phone can show."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("demo")(demo)


def demo(
    folder: Annotated[str, typer.Argument(metavar="[DIR]", help="Where to leave pictures and page.")] = "pooleye-demo",
) -> None:
    """Measure the sample photos and leave pictures and a small page that show what was found."""
    from pooleye.report.demo import run_demo

    for line in run_demo(folder):
        typer.echo(line)
