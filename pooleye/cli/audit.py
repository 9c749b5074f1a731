"""`pooleye audit`, `settle`: notes and measurements side by side, and contradictions settled by hand."""

from __future__ import annotations

from typing import Annotated

import typer

from pooleye.cli.log_common import AsJson, Codes, Folder, add_all, opened, tell


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"audit": audit, "settle": settle})


def audit(
    codes: Codes = None,
    trial: Annotated[str | None, typer.Option("--trial", metavar="NAME", help="The candles of this trial.")] = None,
    burn: Annotated[int | None, typer.Option("--burn", metavar="NUMBER", help="Only this burn.")] = None,
    full: Annotated[bool, typer.Option("--all", help="Every claim, not only contradictions.")] = False,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Lay notes and measurements side by side: agrees, contradicts, cannot tell; and the tester's eye.

    Contradictions come first, each with its number in brackets for `pooleye settle`.
    """
    from pooleye.audit.service import audit_of

    with opened(folder) as workspace:
        found = audit_of(workspace, codes or (), trial, burn)
    if full and not as_json:
        typer.echo("\n".join(found.said_in_full()))
    else:
        tell(found, as_json)


def settle(
    which: Annotated[str, typer.Argument(metavar="LINE", help="The line's number in `pooleye audit`: 12.3.")],
    verdict: Annotated[str, typer.Argument(metavar="VERDICT", help="note-right, photo-right, both-wrong; no-danger.")],
    by: Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who settles it.")] = None,
    why: Annotated[str | None, typer.Option("--why", metavar="TEXT", help="What a second look showed.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Settle a contradiction by hand: note right, photo right or both wrong; it is kept.

    A later settlement counts instead of an earlier one, which stays in the log.
    """
    from pooleye.audit import service

    with opened(folder) as workspace:
        tell(service.settle(workspace, which, verdict, by=by, why=why), as_json)
