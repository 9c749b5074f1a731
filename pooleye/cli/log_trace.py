"""`pooleye trace`, `hold`, `release`, `cost`: when a component turns out bad, and what candles have cost."""

from __future__ import annotations

from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Codes, Folder, add_all, need, opened, tell

Why = Annotated[str, typer.Option("--why", help="The reason.")]


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"trace": trace, "hold": hold, "release": release, "cost": cost})


def trace(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The lot's label, or component:LABEL.")],
    hold_them: Annotated[
        str | None, typer.Option("--hold", metavar="REASON", help="Also hold the lot and every candle with it.")
    ] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """List every candle that holds a lot; with --hold, hold them."""
    from pooleye.burnlog import trace as tracing

    with opened(folder) as workspace:
        found = tracing.trace(workspace, lot) if hold_them is None else tracing.hold_lot(workspace, lot, hold_them)
        tell(found, as_json)


def hold(codes: Codes = None, why: Why = "", folder: Folder = None, as_json: AsJson = False) -> None:
    """Hold candles: they are not lit without an explicit override."""
    from pooleye.burnlog import trace as tracing

    with opened(folder) as workspace:
        tell(tracing.hold(workspace, need(codes, "candles", "pooleye hold CODE --why REASON"), why), as_json)


def release(
    codes: Codes = None,
    why: Why = "",
    lot: Annotated[str | None, typer.Option(help="Release a lot, with the candles held because of it.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Let held candles be lit again."""
    from pooleye.burnlog import trace as tracing

    chosen = codes or []
    if lot is None:
        chosen = need(codes, "candles", "pooleye release CODE --why REASON")
    with opened(folder) as workspace:
        tell(tracing.release(workspace, chosen, why, lot=lot), as_json)


def cost(
    what: Annotated[str, typer.Argument(metavar="WHAT", help="A candle's code, a pour or a trial.")],
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """What a candle, a pour or a trial has cost in materials."""
    from pooleye.burnlog import trace as tracing

    with opened(folder) as workspace:
        tell(tracing.cost(workspace, what), as_json)
