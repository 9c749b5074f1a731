"""`pooleye snap`, `batch`, `remeasure`, `refile`, `adjust`, `redraw`: photos into the log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.log_common import AsJson, At, Code, Folder, Minutes, add_all, caution, minutes_of, opened, tell, when

if TYPE_CHECKING:
    from concurrent.futures import Executor

Workers = Annotated[int | None, typer.Option("--cores", help="How many cores to use; else all.")]
Scheduler = Annotated[str | None, typer.Option(metavar="ADDRESS", help="A Dask scheduler to measure on.")]


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(
        app,
        {
            "snap": snap, "batch": batch, "remeasure": remeasure, "refile": refile, "adjust": adjust, "redraw": redraw,
        },
    )  # fmt: skip


def snap(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO...", help="The photo; of a burst all stills.")],
    burst: Annotated[bool, typer.Option("--burst", help="Stills from the side, taken at one go: one look.")] = False,
    candle: Annotated[
        str | None, typer.Option(metavar="CODE", help="The candle; else by label, else the lit one.")
    ] = None,
    view: Annotated[str, typer.Option(help="top, side or auto.")] = "auto",
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """File and measure one photo, and say at once what matters.

    With --burst several stills are filed as one look: each is kept, and the flame's mean and greatest height and its
    flicker belong to the look.
    """
    from pooleye.burnlog.bursts import snap_burst
    from pooleye.burnlog.snap import snap as take
    from pooleye.errors import UsageError

    if len(photos) > 1 and not burst:
        hint = "stills of one burst: add --burst; photos of several looks: pooleye batch FOLDER"
        raise UsageError("several-photos", f"{len(photos)} photos were named", hint=hint)
    seen_as = _view(view)
    with opened(folder) as workspace:
        moment, alight = when(workspace, at), minutes_of(minutes)
        if burst:
            done = snap_burst(workspace, photos, code=candle, at=moment, minutes=alight)
        else:
            done = take(workspace, photos[0], code=candle, at=moment, minutes=alight, view=seen_as)
        tell(done, as_json)
    if not as_json:
        caution()


def _view(view: str) -> str:
    from pooleye.errors import UsageError

    if view not in ("top", "side", "auto"):
        raise UsageError(
            "view-unknown", f"--view {view!r} is not known", looked_for="top, side or auto", hint="--view top"
        )
    return view


def batch(
    photos: Annotated[Path, typer.Argument(metavar="FOLDER", help="Folder with photos, or one photo.")],
    clock_offset: Annotated[
        str | None, typer.Option(metavar="TIME", help="What to add to the camera's clock: +1h, -12min; else found.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say where each photo would go, change nothing.")] = False,
    cores: Workers = None,
    scheduler: Scheduler = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """File and measure a folder of photos; interrupted, it continues."""
    from pooleye.burnlog.batch import run_batch

    offset_s = _offset_s(clock_offset)
    with opened(folder) as workspace, progress_bar(as_json) as report, _workers(scheduler) as executor:
        done = run_batch(
            workspace,
            photos,
            executor=executor,
            workers=cores,
            clock_offset_s=offset_s,
            dry_run=dry_run,
            progress=report,
        )
    tell(done, as_json)
    raise typer.Exit(130 if done.interrupted else 1 if done.unreadable else 0)


@contextmanager
def _workers(scheduler: str | None) -> Iterator[Executor | None]:
    """The workers behind a scheduler's address, let go afterwards; None: this computer's own cores."""
    from pooleye.burnlog.executors import scheduler_workers

    if scheduler is None:
        yield None
        return
    with scheduler_workers(scheduler) as executor:
        yield executor


def _offset_s(text: str | None) -> float | None:
    from pooleye.burnlog.times import parse_duration_minutes

    if text is None:
        return None
    sign = -1.0 if text.strip().startswith(("-", "−")) else 1.0
    return sign * 60 * parse_duration_minutes(text.strip().lstrip("+-−"))


@contextmanager
def progress_bar(silent: bool) -> Iterator[Callable[[str, int, int], None]]:
    """A bar with the time left on standard error; none where nobody watches."""
    import sys

    if silent or not sys.stderr.isatty():
        yield lambda _step, _done, _of: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True)) as bar:
        tasks: dict[str, int] = {}

        def report(step: str, done: int, of: int) -> None:
            if step not in tasks:
                tasks[step] = bar.add_task({"look": "looking", "measure": "measuring"}[step], total=of)
            bar.update(tasks[step], completed=done, total=of)  # type: ignore[arg-type]

        yield report


def remeasure(
    cores: Workers = None,
    scheduler: Scheduler = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Measure all photos again and list what moved.

    Method and records (headspace, baseline, vessel) are those of now; listed is what moved by more than 0.2 u.
    """
    from pooleye.burnlog.batch import remeasure as again

    with opened(folder) as workspace, progress_bar(as_json) as report, _workers(scheduler) as executor:
        done = again(workspace, executor=executor, workers=cores, progress=report)
    tell(done, as_json)


def refile(
    photo: Annotated[str, typer.Argument(help="The photo: its number, name or the start of its SHA-256.")],
    code: Code,
    burn: Annotated[int | None, typer.Option(help="Burn number; none: the new, unlit candle.")] = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """File a photo under another candle, burn or minute."""
    from pooleye.burnlog.corrections import refile as elsewhere

    with opened(folder) as workspace:
        tell(elsewhere(workspace, photo, code, burn=burn, minutes=minutes_of(minutes)), as_json)


def adjust(
    photo: Annotated[str, typer.Argument(help="The photo: its number, name or the start of its SHA-256.")],
    quantity: Annotated[str, typer.Argument(metavar="QUANTITY", help="For instance pool_diameter.")],
    value: Annotated[str, typer.Argument(metavar="VALUE", help="Your value: 58mm, 0.85.")],
    give_or_take: Annotated[str | None, typer.Option(metavar="VALUE", help="How sure, to either side: 1mm.")] = None,
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who looked.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep your own value for a photo beside the tool's.

    Both are kept; the tool's is not changed.
    """
    from pooleye.burnlog.corrections import adjust as keep

    with opened(folder) as workspace:
        tell(keep(workspace, photo, quantity, value, half_width=give_or_take, who=by), as_json)


def redraw(
    photo: Annotated[str, typer.Argument(help="The photo: its number, name or the start of its SHA-256.")],
    rim: Annotated[str, typer.Option(metavar="CX,CY,A,B,ANGLE", help="The inner rim as an ellipse, full-size pixels.")],
    pool: Annotated[str, typer.Option(metavar='"X,Y X,Y …"', help="The pool's outline; none: no wax is liquid.")] = "",
    give_or_take: Annotated[float, typer.Option(metavar="PX", help="How sure the hand is: one standard deviation.")] = (
        5.0
    ),
    by: Annotated[str | None, typer.Option(metavar="NAME", help="Who drew.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Measure a photo from a rim and pool drawn by hand.

    The numbers are kept beside the tool's; it is easier on the phone page, with handles to drag.
    """
    from pooleye.burnlog.redraw import read_drawn
    from pooleye.burnlog.redraw import redraw as keep

    drawn = read_drawn(rim, pool, give_or_take)
    with opened(folder) as workspace:
        tell(keep(workspace, photo, drawn, who=by), as_json)
