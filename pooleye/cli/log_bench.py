"""The bench: `light`, `trim`, `snuff`, `weigh`, `note`, `heat`, `throw`, `depth`, `width`, `headspace`, `incident`."""

from __future__ import annotations

from typing import Annotated

import typer

from pooleye.cli.log_common import (
    Anyway,
    AsJson,
    At,
    Code,
    Codes,
    Folder,
    Minutes,
    add_all,
    caution,
    celsius,
    grams,
    minutes_of,
    mm,
    opened,
    tell,
    when,
)

Who = Annotated[str | None, typer.Option("--by", metavar="NAME", help="Who looked.")]


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(
        app,
        {
            "light": light, "trim": trim, "snuff": snuff, "weigh": weigh, "note": note, "heat": heat, "throw": throw,
            "depth": depth, "width": width, "headspace": headspace, "incident": incident,
        },
    )  # fmt: skip


def light(
    codes: Codes = None,
    kind: Annotated[str | None, typer.Option(help="standard, long, untrimmed or burn-out.")] = None,
    trim: Annotated[str | None, typer.Option(metavar="LEN", help="Wick trimmed to.")] = None,
    spacing: Annotated[str | None, typer.Option(metavar="LEN", help="Distance to the nearest lit candle.")] = None,
    room: Annotated[str | None, typer.Option(metavar="TEMP", help="Room temperature.")] = None,
    plan: Annotated[str | None, typer.Option(metavar="TIME", help="Planned length of the burn: 4h.")] = None,
    give_or_take: Annotated[
        float | None, typer.Option(help="How sure the time is, in minutes to either side; else as set.")
    ] = None,
    at: At = None,
    anyway: Anyway = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Light candles; without a code, the only one that is ready."""
    from pooleye.burnlog import burns

    how = burns.Lighting(
        kind=kind,
        trimmed_mm=mm(trim, "trim"),
        spacing_mm=mm(spacing, "spacing"),
        room_c=celsius(room, "room"),
        planned_minutes=minutes_of(plan),
        half_width_min=give_or_take,
        despite=anyway,
    )
    with opened(folder) as workspace:
        tell(burns.light(workspace, codes or (), at=when(workspace, at), how=how), as_json)
    if not as_json:
        caution()


def trim(
    code: Code,
    length: Annotated[str, typer.Argument(metavar="LEN", help="Wick trimmed to, for instance 6mm.")],
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Note the trim of the burn that runs."""
    from pooleye.burnlog import burns

    with opened(folder) as workspace:
        tell(burns.trim(workspace, code, mm(length, "trim") or 0.0), as_json)


def snuff(
    codes: Codes = None,
    how: Annotated[str, typer.Option(help="snuffed, by-itself or stopped.")] = "snuffed",
    give_or_take: Annotated[
        float | None, typer.Option(help="How sure the time is, in minutes to either side; else as set.")
    ] = None,
    at: At = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """End burns; without a code, of everything alight."""
    from pooleye.burnlog import burns

    with opened(folder) as workspace:
        ended = burns.snuff(workspace, codes or (), at=when(workspace, at), how=how, half_width_min=give_or_take)
        tell(ended, as_json)


def weigh(
    code: Code,
    mass: Annotated[str, typer.Argument(metavar="MASS", help="For instance 285.4g or 10.07oz.")],
    step: Annotated[str | None, typer.Option(metavar="MASS", help="The scale's display step; else as set.")] = None,
    at: At = None,
    anyway: Anyway = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Weigh a candle, cold: burn rate and wax left follow."""
    from pooleye.burnlog.weighing import weigh as on_the_scale

    with opened(folder) as workspace:
        mass_g = grams(mass, "mass") or 0.0
        weighed = on_the_scale(
            workspace, code, mass_g, at=when(workspace, at), step_g=grams(step, "step"), despite=anyway
        )  # fmt: skip
        tell(weighed, as_json)


def note(
    code: Code,
    text: Annotated[str, typer.Argument(metavar="TEXT", help="What you see, in your own words.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep what you see, in your own words.

    What the note claims is read at once and kept beside it; words of danger are answered first.
    """
    from pooleye.audit.note_filing import file_note

    with opened(folder) as workspace:
        done = file_note(workspace, code, text, at=when(workspace, at), minutes=minutes_of(minutes), tester=by)
        tell(done, as_json)


def _by_hand(
    what: str,
    code: str,
    value: float,
    by: str | None,
    at: str | None,
    minutes: str | None,
    folder: Folder,
    as_json: bool,
) -> None:
    from pooleye.burnlog import looks

    with opened(folder) as workspace:
        done = looks.measure_by_hand(
            workspace, code, what, value, at=when(workspace, at), minutes=minutes_of(minutes), who=by
        )  # fmt: skip
        tell(done, as_json)


def heat(
    code: Code,
    temperature: Annotated[str, typer.Argument(metavar="TEMP", help="Outside of the vessel: 61C or 142F.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep how hot the vessel is outside."""
    _by_hand("heat", code, celsius(temperature, "vessel temperature") or 0.0, by, at, minutes, folder, as_json)


def throw(
    code: Code,
    grade: Annotated[str, typer.Argument(metavar="GRADE", help="none, weak, medium or strong.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep the hot throw: how strong the room smells."""
    from pooleye.burnlog.looks import parse_throw

    _by_hand("throw", code, parse_throw(grade), by, at, minutes, folder, as_json)


def depth(
    code: Code,
    length: Annotated[str, typer.Argument(metavar="LEN", help="Depth of the melt pool, by skewer.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep the melt pool's depth, by skewer.

    Snuff the flame first, or reach in beside its plume.
    """
    _by_hand("depth", code, mm(length, "pool depth") or 0.0, by, at, minutes, folder, as_json)


def width(
    code: Code,
    length: Annotated[str, typer.Argument(metavar="LEN", help="Width of the melt pool, by ruler.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep the melt pool's width, by ruler."""
    _by_hand("width", code, mm(length, "pool width") or 0.0, by, at, minutes, folder, as_json)


def headspace(
    code: Code,
    length: Annotated[str, typer.Argument(metavar="LEN", help="From the rim straight down to the wax.")],
    by: Who = None,
    at: At = None,
    minutes: Minutes = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep the headspace, rim down to the wax.

    Photos of the same checkpoint are measured with it.
    """
    _by_hand("headspace", code, mm(length, "headspace") or 0.0, by, at, minutes, folder, as_json)


def incident(
    code: Code,
    kind: Annotated[str, typer.Argument(metavar="WHAT", help="cracked, pinged, second-flame, wick-adrift, went-out …")],
    words: Annotated[str | None, typer.Option("--words", help="What happened, in your own words.")] = None,
    at: At = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Keep something that ends a burn at once; what to do is said first."""
    from pooleye.burnlog import looks

    with opened(folder) as workspace:
        tell(looks.incident(workspace, code, kind, at=when(workspace, at), words=words), as_json)
