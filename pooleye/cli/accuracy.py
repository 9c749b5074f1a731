"""`pooleye accuracy`: how near the numbers come, on a folder of photos whose truth is known."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.errors import UsageError

if TYPE_CHECKING:
    from pooleye.accuracy import Headspace

HERE = "tests/photos"


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("accuracy")(accuracy)


def accuracy(
    folder: Annotated[str, typer.Argument(metavar="[FOLDER]", help="Photos and their truth.json.")] = HERE,
    headspace: Annotated[
        str, typer.Option(metavar="given|unknown|both", help="Whether the photos come with their headspace.")
    ] = "both",
    view: Annotated[str, typer.Option(metavar="top|side|both", help="Which photos of the folder.")] = "both",
    write: Annotated[
        str | None, typer.Option(metavar="PAGE", help="Write this page (needs both) and pictures beside it.")
    ] = None,
) -> None:
    """Measure photos with known truth and say how near the numbers come.

    The form of truth.json is described in tests/photos/README.md. What lies beyond its bar carries a star.
    """
    from pooleye.accuracy import as_text, read_annotated, try_photos
    from pooleye.report.accuracy_page import write_page

    modes = _modes(headspace)
    if write is not None and len(modes) < 2:
        raise UsageError("modes-missing", "the page shows both ways", hint="leave --headspace out with --write")
    if view not in ("top", "side", "both"):
        raise UsageError(
            "view-unknown", f"“{view}” is no view", looked_for="top, side or both", hint="leave --view out"
        )
    photos = read_annotated(folder).seen_from(view)
    trials = []
    for mode in modes:
        with _bar(f"headspace {mode}") as report:
            trial = try_photos(photos, mode, report)
        trials.append(trial)
        typer.echo(f"\nheadspace {mode}\n{as_text(trial, trial.scores())}")
        if not trial.complete:
            typer.echo(f"interrupted after {len(trial.tried)} of {len(photos.shots)} photos", err=True)
            raise typer.Exit(130)
    if write is not None:
        named = ("" if folder == HERE else f"{folder} ") + ("" if view == "both" else f"--view {view} ")
        for path in write_page(write, photos, trials, f"pooleye accuracy {named}--write {write}"):
            typer.echo(f"wrote {path}")


def _modes(asked: str) -> list[Headspace]:
    modes: dict[str, list[Headspace]] = {"given": ["given"], "unknown": ["unknown"], "both": ["given", "unknown"]}
    if asked not in modes:
        raise UsageError(
            "headspace-mode-unknown",
            f"--headspace {asked!r} is not known here",
            looked_for="given, unknown or both",
            hint="--headspace both",
        )
    return modes[asked]


@contextmanager
def _bar(words: str) -> Iterator[Callable[[int, int], None]]:
    """A bar with the time left on standard error; none where nobody watches."""
    import sys

    if not sys.stderr.isatty():
        yield lambda _done, _of: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        task = bar.add_task(words, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)
