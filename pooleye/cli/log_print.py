"""`pooleye labels`, `card`: what is printed and then shows in photos."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Codes, Folder, add_all, opened, tell

Out = Annotated[Path, typer.Option(help="The PDF to write.")]
Paper = Annotated[str, typer.Option(help="A4 or Letter.")]


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"labels": labels, "card": card})


def labels(
    codes: Codes = None,
    pour: Annotated[str | None, typer.Option(metavar="POUR", help="All candles of this pour.")] = None,
    out: Out = Path("labels.pdf"),
    paper: Paper = "A4",
    skip: Annotated[int, typer.Option(min=0, help="Labels of a begun sheet to leave free.")] = 0,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Write a sheet of candle labels as PDF, at exact size.

    Without codes, of all candles that are not used up. Photos that show a label are filed by it.
    """
    from pooleye.burnlog.printed import label_sheet

    with opened(folder) as workspace:
        tell(label_sheet(workspace, out, codes or (), pour=pour, paper=paper, skip=skip), as_json)


def card(
    codes: Codes = None,
    out: Out = Path("cards.pdf"),
    paper: Paper = "A4",
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Write bench cards as PDF: code, scale, tilt, 12 o'clock, white.

    Without codes, one card for all candles, without a code on it.
    """
    from pooleye.burnlog.printed import bench_cards

    with opened(folder) as workspace:
        tell(bench_cards(workspace, out, codes or (), paper=paper), as_json)
