"""`pooleye soot`: two photos of one rim, taken from two sides, answer for soot all round the clock."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.measure import given_headspace_mm, given_vessel, say_cautions
from pooleye.cli.photo_options import LENGTHS, BaseInner, Baseline, BaselineHeadspace, Headspace, RimInner, VesselHeight

if TYPE_CHECKING:
    from pooleye.measurement import PhotoResult


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("soot", epilog=LENGTHS)(soot)


def soot(
    first: Annotated[str, typer.Argument(metavar="PHOTO", help="From above; its clock is the one used.")],
    second: Annotated[str, typer.Argument(metavar="PHOTO", help="The same candle at once after, from another side.")],
    rim_inner: RimInner = None,
    base_inner: BaseInner = None,
    vessel_height: VesselHeight = None,
    headspace: Headspace = None,
    baseline: Baseline = None,
    baseline_headspace: BaselineHeadspace = None,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object, as `pooleye measure --json` gives.")
    ] = False,
) -> None:
    """Soot all round one rim: what one photo does not show, a second from the other side may.

    The exit status is 0 if both files could be read, 1 if one could not, 2 if the command was used wrongly.
    """
    from pooleye.measuring import measure_soot_all_round
    from pooleye.report.text import result_as_text

    vessel = given_vessel(rim_inner, None, base_inner, vessel_height)
    outcome = measure_soot_all_round(
        first,
        second,
        vessel,
        headspace_mm=given_headspace_mm(headspace, vessel, "headspace"),
        baseline=baseline,
        baseline_headspace_mm=given_headspace_mm(baseline_headspace, vessel, "headspace of the baseline"),
    )
    typer.echo(outcome.result.to_json() if as_json else result_as_text(outcome.result, None))
    if not as_json:
        if outcome.result.status == "measured":
            typer.echo(answer(outcome.result))
        say_cautions()
    raise typer.Exit(1 if outcome.unread else 0)


def answer(result: PhotoResult) -> str:
    """Whether there is soot anywhere on this rim, as far as the photos show it."""
    values = {hour or 12: v for hour, v in enumerate(result.by_clock.get("soot_delta_L", ())) if v is not None}
    if not values:
        return "Soot anywhere on this rim? Cannot tell: too little of the wall shows."
    arc, view = (result.quantities[name].value for name in ("soot_arc", "soot_view_arc"))
    shown = "all round" if view >= 360 else f"on the {view:.0f} of 360 degrees that show"
    if arc <= 0:
        return f"Soot anywhere on this rim? None seen {shown}."
    darkest = min(values, key=lambda hour: values[hour])
    return f"Soot anywhere on this rim? Yes, on {arc:.0f} degrees, darkest at {darkest} o'clock (looked {shown})."
