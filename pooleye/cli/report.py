"""`pooleye report trial|candle|session`: one HTML file that reads on a phone and prints, with everything in it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.log_common import AsJson, Code, Folder, add_all, caution, opened, tell

if TYPE_CHECKING:
    from datetime import date

    from pooleye.burnlog.store import Workspace

Out = Annotated[Path | None, typer.Option(metavar="FILE", help="The file to write; else one named after its subject.")]


def register(app: typer.Typer) -> None:
    """Adds the group to the app."""
    group = typer.Typer(
        help="Reports: one file each that reads on a phone and prints.", no_args_is_help=True, rich_markup_mode=None
    )
    add_all(group, {"trial": trial, "candle": candle, "session": session})
    app.add_typer(group, name="report")


def trial(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the trial.")],
    out: Out = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Report a trial: the decision, why, whether it was fair, its photos side by side by burn."""
    from pooleye.report import pages

    caution()
    with opened(folder) as workspace:
        _write(pages.trial_page(workspace, name), f"trial-{name}", out, as_json)


def candle(code: Code, out: Out = None, folder: Folder = None, as_json: AsJson = False) -> None:
    """Report a candle: how it burns, why, and every burn with its photos."""
    from pooleye.report import pages

    caution()
    with opened(folder) as workspace:
        _write(pages.candle_page(workspace, code), f"candle-{code.upper()}", out, as_json)


def session(
    day: Annotated[
        str | None, typer.Argument(metavar="[DATE]", help="The day: 2026-03-01, today or yesterday; else the latest.")
    ] = None,
    out: Out = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Report one day's burns, past midnight included; without a day, the latest."""
    from pooleye.report import gather, pages

    caution()
    with opened(folder) as workspace:
        wanted = _day(day, workspace) or gather.latest_day(workspace)
        _write(pages.session_page(workspace, wanted), f"session-{wanted}", out, as_json)


def _day(text: str | None, workspace: Workspace) -> date | None:
    """A day as typed, by the workshop's clock. Raises UsageError."""
    from datetime import date, timedelta

    from pooleye.errors import UsageError

    today = workspace.now().astimezone(workspace.zone).date()
    words = {None: None, "today": today, "yesterday": today - timedelta(days=1)}
    if text in words:
        return words[text]
    try:
        return date.fromisoformat(text or "")
    except ValueError:
        raise UsageError("not-a-day", f"“{text}” is no day", hint="write 2026-03-01, today or yesterday") from None


def _write(page: str, subject: str, out: Path | None, as_json: bool) -> None:
    """Write the page and say where it lies."""
    from pooleye.report.written import file_name, write_report

    tell(write_report(page, out or Path(file_name(subject))), as_json)
