"""The `pooleye` command. Each family of commands is a file beside this one, and loads what it needs when it runs."""

from __future__ import annotations

import sys
from io import TextIOWrapper

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
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):  # a file's name may hold what the terminal cannot show
            stream.reconfigure(errors="backslashreplace")
    try:
        app(prog_name="pooleye")
    except PooleyeError as error:
        _end(error)
    except UnicodeEncodeError as error:
        _end(PooleyeError("not-text", f"{error.object!r} is no text in UTF-8", hint="type it anew"))
    except OSError as error:
        words = ": ".join(str(one) for one in (error.filename, error.strerror or error) if one is not None)
        _end(PooleyeError("file-trouble", words, hint="see that the folder is there, may be used and has room left"))


def _end(error: PooleyeError) -> None:
    print(error.rendered(), file=sys.stderr)
    sys.exit(2)
