"""Commands that are read only when they are used, so that `pooleye --help` starts as fast with forty as with three.

A family is a file beside this one with `register(app)`. The table holds what the list of commands shows; a test holds
it against the families themselves.
"""

from __future__ import annotations

import importlib
from collections.abc import Mapping
from typing import Any

import typer
from typer.core import TyperGroup

#: Family -> command -> first line of its help.
FAMILIES: Mapping[str, Mapping[str, str]] = {
    "burst": {
        "burst": "Measure a burst of stills from the side as one: the flame's height over time and its flicker.",
    },
    "log_workspace": {
        "new": "Begin a burn log in a folder.",
        "status": "What is on my table: alight, overdue, curing, resting, held, used up.",
        "due": "What is due: looks at burning candles, burns past their time, cures that end.",
        "show": "One candle's life: burns, photos, values by hand, notes, weighings.",
        "history": "Everything entered and changed about a candle, and by whom.",
        "correct": "Put one entry right; the earlier value stays in the history.",
        "strike": "Strike out an entry that should not count; it stays readable.",
        "check": "Check that the log is sound and every photo is as it was filed.",
    },
    "log_materials": {
        "vessel": "Add a vessel, or list the vessels.",
        "wax": "Add a wax, or list the waxes.",
        "fragrance": "Add a fragrance, or list the fragrances.",
        "wick": "Add a wick, or list the wicks.",
        "lot": "Add a lot of a component, or list the lots.",
    },
    "log_pour": {
        "pour": "Log a pour and the candles made from it; their codes come back.",
        "candles": "Log more candles of a pour: another wick or vessel, the same pot.",
        "trial": "Trials: a question, its arms and candles.",
    },
    "log_bench": {
        "light": "Light candles; without a code, the only one that is ready.",
        "trim": "Note the trim of the burn that runs.",
        "snuff": "End burns; without a code, of everything alight.",
        "weigh": "Weigh a candle, cold: burn rate and wax left follow.",
        "note": "Keep what you see, in your own words.",
        "heat": "Keep how hot the vessel is outside.",
        "throw": "Keep the hot throw: how strong the room smells.",
        "depth": "Keep the melt pool's depth, by skewer.",
        "width": "Keep the melt pool's width, by ruler.",
        "headspace": "Keep the headspace, rim down to the wax.",
        "incident": "Keep something that ends a burn at once; what to do is said first.",
    },
    "log_photos": {
        "snap": "File and measure one photo, and say at once what matters.",
        "batch": "File and measure a folder of photos; interrupted, it continues.",
        "remeasure": "Measure all photos again and list what moved.",
        "refile": "File a photo under another candle, burn or minute.",
        "adjust": "Keep your own value for a photo beside the tool's.",
        "redraw": "Measure a photo from a rim and pool drawn by hand.",
    },
    "log_trace": {
        "trace": "List every candle that holds a lot; with --hold, hold them.",
        "hold": "Hold candles: they are not lit without an explicit override.",
        "release": "Let held candles be lit again.",
        "cost": "What a candle, a pour or a trial has cost in materials.",
    },
    "log_print": {
        "labels": "Write a sheet of candle labels as PDF, at exact size.",
        "card": "Write bench cards as PDF: code, scale, tilt, 12 o'clock, white.",
    },
    "judge_candles": {
        "judge": "Judge candles: stop, watch, hot, cool, in range; without codes, all in brief.",
        "forecast": "Forecast a candle: will the pool reach the wall, how many hours are left.",
        "criteria": "List every limit that judges, with its source.",
    },
    "judge_plan": {
        "plan": "Plan a trial: pours, cure, burn days, photos, hours, cost; or what is left of one in the log.",
    },
    "audit": {
        "audit": "Lay notes and measurements side by side: agrees, contradicts, cannot tell; and the tester's eye.",
        "settle": "Settle a contradiction by hand: note right, photo right or both wrong; it is kept.",
    },
    "export": {
        "export": "Write the log for other programs: CSV, XLSX, or the whole of it as JSON.",
        "import": "Bring a whole exported log into an empty one; all of it, or nothing.",
    },
    "serve": {
        "serve": "Serve the page for a phone at the bench; prints its address, QR code and pairing code.",
    },
    "soot": {
        "soot": "Soot all round one rim: what one photo does not show, a second from the other side may.",
    },
    "report": {
        "report": "Reports: one file each that reads on a phone and prints.",
    },
    "accuracy": {
        "accuracy": "Measure photos with known truth and say how near the numbers come.",
    },
}
_FAMILY_OF = {name: family for family, commands in FAMILIES.items() for name in commands}


def family_commands(family: str) -> Mapping[str, Any]:
    """The commands of a family, read now."""
    app = typer.Typer(rich_markup_mode=None, add_completion=False, pretty_exceptions_enable=False)
    app.callback()(lambda: None)
    importlib.import_module(f"pooleye.cli.{family}").register(app)
    commands: Mapping[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    return commands


class LazyGroup(TyperGroup):
    """The app's own commands, then the families of the table."""

    def list_commands(self, ctx: Any) -> list[str]:
        """All names, in the order of the help."""
        return [*super().list_commands(ctx), *_FAMILY_OF]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The command of this name; its family is read now."""
        if cmd_name in _FAMILY_OF:
            return family_commands(_FAMILY_OF[cmd_name]).get(cmd_name)
        return super().get_command(ctx, cmd_name)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """The list of commands, without reading the families."""
        own = {name: command.get_short_help_str(60) for name, command in self.commands.items() if not command.hidden}
        rows = list(own.items()) + [row for commands in FAMILIES.values() for row in commands.items()]
        with formatter.section("Commands"):
            formatter.write_dl(rows)
