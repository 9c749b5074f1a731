"""What every command of the burn log shares: its options, opening the workspace, telling the result."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pooleye.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pooleye.burnlog.results import Result
    from pooleye.burnlog.store import Workspace

Folder = Annotated[
    Path | None,
    typer.Option("--workspace", "-w", metavar="FOLDER", help="The burn log's folder; else searched upwards."),
]
AsJson = Annotated[bool, typer.Option("--json", help="The result as JSON.")]
At = Annotated[
    str | None, typer.Option("--at", metavar="TIME", help="When: 19:30, yesterday 19:30, 20min ago, 2026-03-01 19:30.")
]
Minutes = Annotated[
    str | None, typer.Option("--minutes", metavar="TIME", help="Minutes alight instead of a time: 120, 2h, 2h30.")
]
Anyway = Annotated[
    str | None, typer.Option("--anyway", metavar="REASON", help="Do it although the log advises against it; say why.")
]
Code = Annotated[str, typer.Argument(metavar="CODE", help="The candle's code.")]
Codes = Annotated[list[str] | None, typer.Argument(metavar="[CODE]...", help="Codes of candles.")]


@contextmanager
def opened(folder: Path | None, *, read_only: bool = False) -> Iterator[Workspace]:
    """The workspace meant, closed again afterwards."""
    from pooleye.burnlog.store import find_root, open_workspace

    workspace = open_workspace(find_root(Path.cwd(), folder), read_only=read_only)
    try:
        yield workspace
    finally:
        workspace.close()


def tell(result: Result, as_json: bool) -> None:
    """Print a result for a person or for a program."""
    if as_json:
        from pooleye.burnlog.results import as_json as plain

        typer.echo(json.dumps(plain(result), ensure_ascii=False, allow_nan=False))
        return
    for line in result.said():
        typer.echo(line)


def caution() -> None:
    """The cautions that stand wherever a candle burns, on standard error."""
    from pooleye import cautions

    typer.echo(cautions.SHORT, err=True)


def when(workspace: Workspace, text: str | None) -> datetime | None:
    """A time as typed, UTC; None when nothing was said."""
    from pooleye.burnlog.times import parse_when

    return None if text is None else parse_when(text, workspace.now(), workspace.zone)


def minutes_of(text: str | None) -> float | None:
    """A length of time as typed, in minutes."""
    from pooleye.burnlog.times import parse_duration_minutes

    return None if text is None else parse_duration_minutes(text)


def mm(text: str | None, what: str) -> float | None:
    """A length as typed, in mm."""
    from pooleye.units import parse_length_mm

    return None if text is None else parse_length_mm(text, what)


def grams(text: str | None, what: str) -> float | None:
    """A mass as typed, in g."""
    from pooleye.units import parse_mass_g

    return None if text is None else parse_mass_g(text, what)


def celsius(text: str | None, what: str) -> float | None:
    """A temperature as typed, in °C."""
    from pooleye.units import parse_temperature_c

    return None if text is None else parse_temperature_c(text, what)


def percent(text: str | None, what: str) -> float | None:
    """A share as typed, ``8%`` or ``8``, in percent."""
    if text is None:
        return None
    try:
        value = float(text.strip().removesuffix("%").replace(",", "."))
    except ValueError:
        raise UsageError("not-a-share", f"{what}: “{text}” is no share", hint="write 8% or 8") from None
    if not 0 <= value <= 100:
        raise UsageError("not-a-share", f"{what}: {value:g} % is no share", hint="between 0% and 100%")
    return value


def need(values: Sequence[str] | None, what: str, example: str) -> list[str]:
    """At least one value. Raises UsageError naming an example."""
    if not values:
        raise UsageError("nothing-said", f"say which {what}", hint=f"for instance: {example}")
    return list(values)


def add_all(app: typer.Typer, commands: dict[str, Any]) -> None:
    """Add commands under their names."""
    for name, command in commands.items():
        app.command(name)(command)
