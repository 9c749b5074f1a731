"""`pooleye export`, `import`: the log for other programs, and back in."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from pooleye.cli.log_common import AsJson, Folder, add_all, opened, tell


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"export": export, "import": import_})


def export(
    kind: Annotated[
        Literal["csv", "xlsx", "json", "schema"],
        typer.Argument(
            metavar="KIND",
            help="csv: measurements; xlsx: measurements, burns, candles, notes; json: the whole log; schema: of json.",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The file to write; else measurements.csv, burnlog.xlsx, ….")
    ] = None,
    table: Annotated[
        Literal["measurements", "burns", "candles", "notes"],
        typer.Option(metavar="TABLE", help="With csv: measurements, burns, candles or notes."),
    ] = "measurements",
    photos: Annotated[bool, typer.Option("--photos", help="With json: a zip that holds the photos too.")] = False,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Write the log for other programs: CSV, XLSX, or the whole of it as JSON.

    One row a measurement, with value, u and unit. The whole log comes back in with pooleye import.
    """
    from pooleye.burnlog.export import service
    from pooleye.errors import UsageError

    if photos and kind != "json":
        raise UsageError("no-photos-in-it", f"{kind} holds no photos", hint="pooleye export json --photos")
    if table != "measurements" and kind != "csv":
        raise UsageError("all-tables-in-it", f"only csv is one table, {kind} holds all", hint="leave --table out")
    if kind == "schema":
        tell(service.export_schema(out), as_json)
        return
    with opened(folder) as workspace:
        if kind == "csv":
            done = service.export_csv(workspace, out, table=table)
        elif kind == "xlsx":
            done = service.export_xlsx(workspace, out)
        else:
            done = (service.export_pack if photos else service.export_json)(workspace, out)
        tell(done, as_json)


def import_(
    file: Annotated[Path, typer.Argument(help="What pooleye export json wrote, with or without photos.")],
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Bring a whole exported log into an empty one; all of it, or nothing."""
    from pooleye.burnlog.export.bring_in import bring_in

    with opened(folder) as workspace:
        tell(bring_in(workspace, file), as_json)
