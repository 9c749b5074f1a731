"""`pooleye judge`, `forecast`, `criteria`: what the measurements say of a candle, and by which limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Code, Codes, Folder, add_all, caution, minutes_of, opened, tell

Own = Annotated[
    Path | None,
    typer.Option("--criteria", metavar="FILE", help="Your own limits; else criteria.toml in the burn log's folder."),
]


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"judge": judge, "forecast": forecast, "criteria": criteria})


def judge(
    codes: Codes = None,
    own: Own = None,
    keep: Annotated[bool, typer.Option("--keep", help="Also keep stops and watches as findings in the log.")] = False,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Judge candles: stop, watch, hot, cool, in range; without codes, all in brief."""
    from pooleye.judge import service

    caution()
    with opened(folder) as workspace:
        found = service.judge(workspace, codes or (), own=own)
        for verdict in found.candles if keep else ():
            service.keep(workspace, verdict)
        tell(found, as_json)


def forecast(
    code: Code,
    length: Annotated[
        str | None, typer.Option("--burn", metavar="TIME", help="Length of a burn, 4h; else the log's.")
    ] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Forecast a candle: will the pool reach the wall, how many hours are left."""
    from pooleye.judge import service

    caution()
    with opened(folder) as workspace:
        tell(service.forecast_of(workspace, code, within_min=minutes_of(length)), as_json)


def criteria(
    own: Own = None,
    markdown: Annotated[bool, typer.Option("--markdown", help="As the page docs/criteria.md.")] = False,
    as_toml: Annotated[bool, typer.Option("--toml", help="The file that is shipped, to copy lines from.")] = False,
) -> None:
    """List every limit that judges, with its source."""
    from importlib.resources import files

    from pooleye.judge import criteria as limits

    if as_toml:
        typer.echo(files("pooleye.judge").joinpath("criteria.toml").read_text("utf-8"), nl=False)
        return
    found = limits.load_criteria(own if own is not None else _beside())
    typer.echo(limits.as_markdown(limits.shipped()) if markdown else "\n".join(limits.as_lines(found)), nl=not markdown)


def _beside() -> Path | None:
    """The workspace's own criteria, when the command runs in one."""
    from pooleye.burnlog.store import find_root
    from pooleye.errors import PooleyeError
    from pooleye.judge.service import OWN_CRITERIA

    try:
        path = find_root(Path.cwd()) / OWN_CRITERIA
    except PooleyeError:
        return None
    return path if path.is_file() else None
