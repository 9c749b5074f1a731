"""`pooleye plan`: the pours, days, photos, hours and cost of a trial, as a list and for a calendar."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.log_common import AsJson, Folder, add_all, caution, grams, minutes_of, opened, percent, tell

if TYPE_CHECKING:
    from datetime import time

    from pooleye.judge.plan import Bench, Plan, Question

Text = str | None


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    add_all(app, {"plan": plan})


def plan(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the trial; one in the log is planned on.")],
    vessel: Annotated[Text, typer.Option(help="The vessel.")] = None,
    wax: Annotated[Text, typer.Option(help="The wax.")] = None,
    wicks: Annotated[list[str] | None, typer.Option("--wick", help="A wick to try; repeat it.")] = None,
    fragrance: Annotated[Text, typer.Option(help="The fragrance.")] = None,
    load: Annotated[Text, typer.Option(metavar="PERCENT", help="Fragrance load.")] = None,
    per_arm: Annotated[int, typer.Option(help="Candles an arm.")] = 3,
    fill: Annotated[str, typer.Option(metavar="MASS", help="Wax in a candle.")] = "180g",
    usable: Annotated[Text, typer.Option(metavar="MASS", help="Wax that will burn; else 80% of the fill.")] = None,
    rate: Annotated[float, typer.Option(metavar="G_PER_H", help="Burn rate expected.")] = 5.0,
    cure_days: Annotated[float, typer.Option(help="Days to cure.")] = 14.0,
    table: Annotated[int, typer.Option(help="Candles that fit on the table, at their distances.")] = 6,
    free: Annotated[
        list[str] | None,
        typer.Option(metavar="DAY=TIME[@HH:MM]", help="Free hours: all=4h30, sat=10h@09:00; repeat it."),
    ] = None,
    begins: Annotated[str, typer.Option(metavar="HH:MM", help="When a day's first burn begins.")] = "18:00",
    burn: Annotated[str, typer.Option(metavar="TIME", help="Length of a burn.")] = "4h",
    pour_on: Annotated[Text, typer.Option(metavar="YYYY-MM-DD", help="Day of the pour; else today.")] = None,
    ics: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Write it for a calendar; an earlier file's dropped burns are cancelled."),
    ] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Plan a trial: pours, cure, burn days, photos, hours, cost; or what is left of one in the log."""
    from pooleye.judge import service

    bench = _bench(table, free, begins, minutes_of(burn) or 0.0)
    with opened(folder) as workspace:
        if wicks:
            day = _day(pour_on, workspace.now().astimezone(workspace.zone).date())
            asked = _question(name, vessel, wax, wicks, fragrance, load, per_arm, fill, usable, rate, cure_days)
            made = service.plan_new(workspace, asked, bench, day)
        else:
            made = service.plan_rest(workspace, name, bench)
        if ics is not None:
            from pooleye.judge.calendar_file import as_calendar

            before = ics.read_bytes() if ics.is_file() else None
            ics.write_bytes(as_calendar(made, workspace.now(), before=before))
        caution()
        if as_json:
            typer.echo(_json(made))
        else:
            tell(made, as_json=False)


def _json(made: Plan) -> str:
    """As for every other command; days and times of day in ISO 8601."""
    import json

    from pooleye.burnlog.results import as_json

    return json.dumps(as_json(made), ensure_ascii=False, allow_nan=False, default=str)


def _question(
    name: str,
    vessel: Text,
    wax: Text,
    wicks: list[str],
    fragrance: Text,
    load: Text,
    per_arm: int,
    fill: str,
    usable: Text,
    rate: float,
    cure_days: float,
) -> Question:
    from pooleye.errors import UsageError
    from pooleye.judge.plan import Question

    if vessel is None or wax is None:
        text = "a new plan needs a vessel and a wax"
        raise UsageError("plan-incomplete", text, hint="--vessel jar --wax soy --wick small --wick large")
    fill_g = grams(fill, "fill") or 0.0
    return Question(
        name=name,
        vessel=vessel,
        wax=wax,
        wicks=tuple(dict.fromkeys(wicks)),
        fragrance=fragrance,
        load_percent=percent(load, "load") or 0.0,
        candles_per_arm=per_arm,
        fill_g=fill_g,
        usable_g=grams(usable, "usable wax") or 0.8 * fill_g,
        burn_rate_g_h=rate,
        cure_days=cure_days,
    )


def _bench(table: int, free: list[str] | None, begins: str, burn_min: float) -> Bench:
    from pooleye.errors import UsageError
    from pooleye.judge.plan import DAYS, Bench

    hours: dict[str, float] = {}
    starts: dict[str, time] = {}
    for text in free or ["all=4h30"]:
        day, equals, rest = text.lower().partition("=")
        length, at, begin = rest.partition("@")
        if not equals or (day != "all" and day not in DAYS):
            hint = f"write sat=10h or sat=10h@09:00; days: {', '.join(DAYS)}"
            raise UsageError("bad-free-hours", f"“{text}” is no free time", hint=hint)
        chosen = DAYS if day == "all" else (day,)
        hours.update(dict.fromkeys(chosen, (minutes_of(length) or 0.0) / 60))
        if at:
            starts.update(dict.fromkeys(chosen, _time(begin)))
    return Bench(table, hours, _time(begins), starts, burn_min / 60, _looks(burn_min))


def _time(text: str) -> time:
    from datetime import time

    from pooleye.errors import UsageError

    try:
        return time.fromisoformat(text.strip().zfill(5))
    except ValueError:
        raise UsageError("not-a-time", f"“{text}” is no time of day", hint="write 18:00") from None


def _looks(burn_min: float) -> tuple[float, ...]:
    """The usual looks that fall into a burn, and its end."""
    return (*(m for m in (60.0, 120.0) if m < burn_min), burn_min)


def _day(text: Text, today: date) -> date:
    from pooleye.errors import UsageError

    try:
        return today if text is None else date.fromisoformat(text)
    except ValueError:
        raise UsageError("not-a-day", f"“{text}” is no day", hint="write 2026-03-01") from None
