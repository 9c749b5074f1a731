"""The `pooleye` command. Each family of commands is a file beside this one, and loads what it needs when it runs."""

from __future__ import annotations

import sys

import typer

from pooleye.cli import claims, demo, flags, measure
from pooleye.cli.lazy import LazyGroup
from pooleye.errors import PooleyeError

app = typer.Typer(
    name="pooleye",
    cls=LazyGroup,
    help="Measures phone photos of container candles under test, in millimetres with stated uncertainty.",
    epilog="Never leave a burning candle alone. pooleye is an aid for testing; it certifies nothing.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


@app.callback()
def pooleye() -> None:
    """Measures phone photos of container candles under test, in millimetres with stated uncertainty."""


measure.register(app)
claims.register(app)
flags.register(app)
demo.register(app)


def main() -> None:
    """Runs the command; an error of use is told in words and ends with status 2."""
    try:
        app(prog_name="pooleye")
    except PooleyeError as error:
        print(error.rendered(), file=sys.stderr)
        sys.exit(2)
