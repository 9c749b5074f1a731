"""`pooleye pour`, `candles`, `trial`: from the pot to labelled candles, and the question they are to answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli import judge_trial
from pooleye.cli.log_common import (
    Anyway,
    AsJson,
    At,
    Codes,
    Folder,
    add_all,
    celsius,
    grams,
    mm,
    need,
    opened,
    percent,
    tell,
    when,
)

if TYPE_CHECKING:
    from pooleye.burnlog import pours

Vessel = Annotated[str | None, typer.Option(metavar="NAME", help="The vessel; a new one needs --rim-inner.")]
RimInner = Annotated[str | None, typer.Option(metavar="LEN", help="Inner rim diameter of a new vessel.")]
Wick = Annotated[str | None, typer.Option(metavar="NAME", help="The wick.")]
Count = Annotated[int, typer.Option("--candles", help="How many candles alike.")]
Wicks = Annotated[int, typer.Option("--wicks", help="Wicks in each candle.")]
Fill = Annotated[str | None, typer.Option(metavar="MASS", help="Wax in each candle.")]
Headspace = Annotated[str | None, typer.Option(metavar="LEN", help="From the rim down to the new wax.")]
Empty = Annotated[str | None, typer.Option(metavar="MASS", help="Mass of the empty vessel with wick.")]
Trial = Annotated[str | None, typer.Option(metavar="NAME", help="The trial these candles belong to.")]
Arm = Annotated[str | None, typer.Option(help="Their arm; else what they have of the thing that varies.")]
Lots = Annotated[list[str] | None, typer.Option("--lot", help="A lot that went in, by its label; may be repeated.")]
Mass = str | None


def register(app: typer.Typer) -> None:
    """Adds the commands to the app."""
    add_all(app, {"pour": pour, "candles": candles})
    trial = typer.Typer(help="Trials: a question, its arms and candles.", no_args_is_help=True, rich_markup_mode=None)
    add_all(trial, {"new": trial_new, "add": trial_add, "show": trial_show})
    judge_trial.add_to(trial)
    app.add_typer(trial, name="trial")


def pour(
    wax: Annotated[str, typer.Option(metavar="NAME", help="The wax; soy, paraffin, coconut, beeswax are known.")],
    vessel: Vessel = None,
    rim_inner: RimInner = None,
    wick: Wick = None,
    count: Count = 1,
    wicks: Wicks = 1,
    fragrance: Annotated[str | None, typer.Option(metavar="NAME", help="The fragrance.")] = None,
    load: Annotated[str | None, typer.Option(metavar="PERCENT", help="Fragrance as a share of the wax mass.")] = None,
    wax_mass: Annotated[Mass, typer.Option(metavar="MASS", help="Wax melted.")] = None,
    fragrance_mass: Annotated[Mass, typer.Option(metavar="MASS", help="Fragrance added.")] = None,
    dye: Annotated[str | None, typer.Option(help="Dye.")] = None,
    dye_mass: Annotated[Mass, typer.Option(metavar="MASS", help="Dye added.")] = None,
    heated_to: Annotated[str | None, typer.Option(metavar="TEMP", help="Wax heated to.")] = None,
    fragrance_at: Annotated[str | None, typer.Option(metavar="TEMP", help="Fragrance stirred in at.")] = None,
    poured_at: Annotated[str | None, typer.Option(metavar="TEMP", help="Poured at.")] = None,
    room: Annotated[str | None, typer.Option(metavar="TEMP", help="Room temperature.")] = None,
    cure_days: Annotated[float | None, typer.Option(help="Days to cure; else the wax's.")] = None,
    fill: Fill = None,
    headspace: Headspace = None,
    empty: Empty = None,
    trial: Trial = None,
    arm: Arm = None,
    lots: Lots = None,
    name: Annotated[str | None, typer.Option(help="Name of the pour; else P1, P2 …")] = None,
    note: Annotated[str | None, typer.Option(help="Anything worth keeping.")] = None,
    at: At = None,
    anyway: Anyway = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Log a pour and the candles made from it; their codes come back."""
    from pooleye.burnlog import pours

    recipe = pours.Recipe(
        wax=wax,
        fragrance=fragrance,
        load_percent=percent(load, "load"),
        wax_mass_g=grams(wax_mass, "wax mass"),
        fragrance_mass_g=grams(fragrance_mass, "fragrance mass"),
        dye=dye,
        dye_mass_g=grams(dye_mass, "dye mass"),
        heated_to_c=celsius(heated_to, "heated to"),
        fragrance_at_c=celsius(fragrance_at, "fragrance at"),
        poured_at_c=celsius(poured_at, "poured at"),
        room_c=celsius(room, "room"),
        cure_days=cure_days,
        note=note,
    )
    sets = []
    if vessel is not None or wick is not None:
        sets = [_set(vessel, rim_inner, wick, count, wicks, fill, headspace, empty, trial, arm)]
    with opened(folder) as workspace:
        done = pours.pour(
            workspace, recipe, sets, name=name, at=when(workspace, at), lots=lots or (), despite=anyway
        )  # fmt: skip
        tell(done, as_json)


def _set(
    vessel: str | None,
    rim_inner: str | None,
    wick: str | None,
    count: int,
    wicks: int,
    fill: str | None,
    headspace: str | None,
    empty: str | None,
    trial: str | None,
    arm: str | None,
    lots: list[str] | None = None,
) -> pours.CandleSet:
    from pooleye.burnlog import pours

    example = "pooleye pour --wax soy --vessel jar --rim-inner 76mm --wick 'wick 3' --candles 3"
    return pours.CandleSet(
        count=count,
        vessel=need([vessel] if vessel else None, "vessel", example)[0],
        wick=need([wick] if wick else None, "wick", example)[0],
        rim_inner_mm=mm(rim_inner, "inner rim"),
        wick_count=wicks,
        fill_mass_g=grams(fill, "fill mass"),
        headspace_mm=mm(headspace, "headspace"),
        empty_mass_g=grams(empty, "empty vessel"),
        trial=trial,
        arm=arm,
        lots=lots or (),
    )


def candles(
    pour: Annotated[str, typer.Argument(metavar="POUR", help="The pour they are from, for instance P1.")],
    vessel: Vessel = None,
    rim_inner: RimInner = None,
    wick: Wick = None,
    count: Count = 1,
    wicks: Wicks = 1,
    fill: Fill = None,
    headspace: Headspace = None,
    empty: Empty = None,
    trial: Trial = None,
    arm: Arm = None,
    lots: Lots = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Log more candles of a pour: another wick or vessel, the same pot."""
    from pooleye.burnlog import pours

    wanted = _set(vessel, rim_inner, wick, count, wicks, fill, headspace, empty, trial, arm, lots)
    with opened(folder) as workspace:
        tell(pours.more_candles(workspace, pour, wanted), as_json)


def trial_new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the trial.")],
    varies: Annotated[str, typer.Option(help="The one thing that varies: wick, vessel, wax, load …")] = "wick",
    per_arm: Annotated[int, typer.Option(help="Candles an arm.")] = 3,
    question: Annotated[str | None, typer.Option(help="The question in your words.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Begin a trial."""
    from pooleye.burnlog import trials

    with opened(folder) as workspace:
        tell(trials.new_trial(workspace, name, varies=varies, per_arm=per_arm, question=question), as_json)


def trial_add(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the trial.")],
    codes: Codes = None,
    arm: Arm = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Put candles into a trial."""
    from pooleye.burnlog import trials

    with opened(folder) as workspace:
        chosen = need(codes, "candles", f"pooleye trial add {name} CODE CODE CODE")
        tell(trials.add_to_trial(workspace, name, chosen, arm=arm), as_json)


def trial_show(
    name: Annotated[str | None, typer.Argument(metavar="[NAME]", help="Name of the trial; none shows all.")] = None,
    folder: Folder = None,
    as_json: AsJson = False,
) -> None:
    """Show a trial, or all, arm by arm."""
    from pooleye.burnlog import trials

    with opened(folder) as workspace:
        tell(trials.show_trials(workspace, name), as_json)
