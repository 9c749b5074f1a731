"""`pooleye new`, `status`, `due`, `show`, `history`, `correct`, `strike`, `check`: the log as a whole."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Code, Folder, add_all, caution, opened, tell

_ENTRIES = 40  # of a history that are shown at once: a screenful, and more than a usual burn leaves


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(
        app,
        {
            "new": new, "status": status, "due": due, "show": show, "history": history, "correct": correct,
            "strike": strike, "check": check,
        },
    )  # fmt: skip


def new(
    folder: Annotated[Path, typer.Argument(help="Folder of the burn log; made if missing.")] = Path(),
    name: Annotated[str, typer.Option(help="Name of the workshop.")] = "workshop",
    zone: Annotated[
        str | None, typer.Option(help="Time zone, for instance Europe/Berlin; else this computer's.")
    ] = None,
    database: Annotated[str, typer.Option(help="postgresql://user@host/name for several benches; else a file.")] = "",
    photos: Annotated[str, typer.Option(help="Folder of the photos; shared by several benches.")] = "photos",
    currency: Annotated[str, typer.Option(help="Currency of prices.")] = "EUR",
    as_json: AsJson = False,
) -> None:
    """Begin a burn log in a folder."""
    from pooleye.burnlog.overview import status as table
    from pooleye.burnlog.settings import Settings
    from pooleye.burnlog.store import create_workspace
    from pooleye.burnlog.times import local_zone_name

    settings = Settings(
        name=name, zone=zone or local_zone_name(), database=database, photos=photos, currency=currency.upper()
    )
    workspace = create_workspace(folder, settings)
    try:
        if not as_json:
            typer.echo(f"a burn log begins in {folder.resolve()} (clock: {settings.zone})")
        tell(table(workspace), as_json)
        if not as_json:
            caution()
    finally:
        workspace.close()


def status(folder: Folder = None, as_json: AsJson = False) -> None:
    """What is on my table: alight, overdue, curing, resting, held, used up."""
    from pooleye.burnlog.overview import status as table

    with opened(folder) as workspace:
        tell(table(workspace), as_json)


def due(folder: Folder = None, as_json: AsJson = False) -> None:
    """What is due: looks at burning candles, burns past their time, cures that end."""
    from pooleye.burnlog.overview import due as due_list

    with opened(folder) as workspace:
        tell(due_list(workspace), as_json)


def show(code: Code, folder: Folder = None, as_json: AsJson = False) -> None:
    """One candle's life: burns, photos, values by hand, notes, weighings."""
    from pooleye.burnlog.overview import show as life

    with opened(folder) as workspace:
        tell(life(workspace, code), as_json)


def history(
    code: Code,
    everything: Annotated[bool, typer.Option("--all", help=f"All entries, not only the latest {_ENTRIES}.")] = False,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Everything entered and changed about a candle, and by whom.

    Earlier values stay; the numbers shown here are those that correct and strike take. JSON always holds all.
    """
    from pooleye.burnlog.corrections import history as entries

    with opened(folder) as workspace:
        found = entries(workspace, code)
        tell(found if everything or as_json else found.latest(_ENTRIES), as_json)


def correct(
    kind: Annotated[str, typer.Argument(metavar="WHAT", help="vessel, wax, pour, candle, burn, weighing, lot, …")],
    which: Annotated[str, typer.Argument(metavar="WHICH", help="A name, a code, CODE/NUMBER for a burn, or a number.")],
    field: Annotated[str, typer.Argument(metavar="FIELD", help="For instance rim-inner, out, fill-mass.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="The right value, with its unit; none empties it.")],
    who: Annotated[str | None, typer.Option(help="Who changes it.")] = None,
    why: Annotated[str | None, typer.Option(help="Why.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Put one entry right; the earlier value stays in the history."""
    from pooleye.burnlog.corrections import correct as put_right

    with opened(folder) as workspace:
        tell(put_right(workspace, kind, which, field, value, who=who, why=why), as_json)


def strike(
    kind: Annotated[str, typer.Argument(metavar="WHAT", help="weighing, note, measurement, incident or photo.")],
    which: Annotated[str, typer.Argument(metavar="NUMBER", help="Its number, as pooleye history shows it.")],
    why: Annotated[str, typer.Option(help="Why it is wrong.")] = "",
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Strike out an entry that should not count; it stays readable."""
    from pooleye.burnlog.corrections import strike as strike_out

    with opened(folder) as workspace:
        tell(strike_out(workspace, kind, which, why), as_json)


def check(folder: Folder = None, as_json: AsJson = False) -> None:
    """Check that the log is sound and every photo is as it was filed.

    Exit status 1 if not.
    """
    from pooleye.burnlog.checking import check_all

    with opened(folder) as workspace:
        result = check_all(workspace)
        tell(result, as_json)
    raise typer.Exit(0 if result.sound else 1)
