"""`pooleye trial judge` and `trial reopens`: what a trial decides, and what a change does to earlier decisions."""

from __future__ import annotations

from typing import Annotated

import typer

from pooleye.cli.judge_candles import Own
from pooleye.cli.log_common import AsJson, Folder, add_all, caution, opened, percent, tell


def add_to(trial: typer.Typer) -> None:
    """Adds the subcommands to the group of trials."""
    add_all(trial, {"judge": trial_judge, "reopens": trial_reopens})


def trial_judge(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the trial.")],
    own: Own = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Decide a trial: keep, wick up, wick down, or what is missing; and what to test next."""
    from pooleye.judge import service

    caution()
    with opened(folder) as workspace:
        tell(service.judge_trial(workspace, name, own=own), as_json)


def trial_reopens(
    vessel: Annotated[str | None, typer.Option(help="The vessel it would be.")] = None,
    wax: Annotated[str | None, typer.Option(help="The wax it would be.")] = None,
    fragrance: Annotated[str | None, typer.Option(help="The fragrance it would be.")] = None,
    load: Annotated[str | None, typer.Option(help="The load it would be.")] = None,
    dye: Annotated[str | None, typer.Option(help="The dye it would be.")] = None,
    lots: Annotated[
        list[str] | None, typer.Option("--lot", metavar="COMPONENT:LABEL", help="A new lot; may be repeated.")
    ] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Tell which trials a change reopens; without one, what newer lots have reopened."""
    from pooleye.errors import UsageError
    from pooleye.judge import service
    from pooleye.judge.reopened import Recipe

    pairs = dict(lot.partition(":")[::2] for lot in lots or ())
    if not all(pairs.values()):
        raise UsageError("lot-without-component", "a lot needs its component", hint="for instance --lot wax:B-17")
    planned = Recipe(vessel, wax, fragrance, percent(load, "load"), dye, pairs)
    with opened(folder) as workspace:
        tell(service.reopened_by(workspace, planned), as_json)
