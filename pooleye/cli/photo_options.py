"""Options of the commands that measure photos by hand, without a log: what is known of the vessel and its candle."""

from __future__ import annotations

from typing import Annotated

import typer

LENGTHS = "LEN is 76mm, 7.6cm, 3in or '2 5/8 in'; a number alone is mm."

RimInner = Annotated[str | None, typer.Option(metavar="LEN", help="Rim, inner diameter, wall to wall.")]
RimOuter = Annotated[str | None, typer.Option(metavar="LEN", help="Rim, outer diameter.")]
BaseInner = Annotated[
    str | None, typer.Option(metavar="LEN", help="Inner diameter at the base, if the vessel is tapered.")
]
VesselHeight = Annotated[str | None, typer.Option(metavar="LEN", help="Height of the vessel.")]
Headspace = Annotated[str | None, typer.Option(metavar="LEN", help="From the rim straight down to the wax.")]
Baseline = Annotated[
    str | None, typer.Option(metavar="PHOTO", help="The same candle, new and unlit, to judge soot against.")
]
BaselineHeadspace = Annotated[str | None, typer.Option(metavar="LEN", help="Headspace in the baseline photo.")]
