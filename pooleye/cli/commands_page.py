"""docs/commands.md, made from the commands themselves: `python -m pooleye.cli.commands_page > docs/commands.md`."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import typer

from pooleye.cli.app import app

_HEAD = """# Commands

Made by `python -m pooleye.cli.commands_page`; edit the command instead. `pooleye COMMAND --help` says the same.

Lengths, masses and temperatures take mm, cm, in, g, oz, lb, C, F; times `19:30`, `yesterday 19:30`, `20min ago`,
`2026-03-01 19:30`. The exit status is 0 when all went well, 1 when a file could not be read or is not sound, 2 when a
command was used wrongly, 130 when it was interrupted.
"""


def all_commands() -> Iterator[tuple[str, Any, Any]]:
    """Every command that can be called: (its words, the command, its context), in the order of the help."""
    root = typer.main.get_command(app)
    yield from _below("pooleye", root, root.context_class(root, info_name="pooleye"))


def _below(words: str, command: Any, context: Any) -> Iterator[tuple[str, Any, Any]]:
    if not hasattr(command, "list_commands"):
        yield words, command, context
        return
    for name in command.list_commands(context):
        inner = command.get_command(context, name)
        if not inner.hidden:
            yield from _below(f"{words} {name}", inner, inner.context_class(inner, info_name=name, parent=context))


def parameters(command: Any, context: Any) -> list[Any]:
    """Arguments, then options, without --help."""
    return [one for one in command.get_params(context) if one.name != "help" and not getattr(one, "hidden", False)]


def _argument(one: Any) -> str:
    return str(one.metavar or one.name.upper()).strip("[].")


def _called(one: Any) -> str:
    if one.param_type_name == "argument":
        return _argument(one)
    names = ", ".join(sorted([*one.opts, *one.secondary_opts], key=len))
    return names if one.is_flag else f"{names} {one.metavar or 'VALUE'}"


def _usage(words: str, given: list[Any]) -> str:
    """The words, then what follows them; what may be left out in brackets."""
    arguments = [one for one in given if one.param_type_name == "argument"]
    shown = [_argument(one) if one.required else f"[{_argument(one)}]" for one in arguments]
    many = ["..." if one.nargs == -1 else "" for one in arguments]
    options = ["[OPTIONS]"] if len(arguments) < len(given) else []
    return " ".join([words, *(one + more for one, more in zip(shown, many, strict=True)), *options])


def _meaning(one: Any) -> str:
    shown = isinstance(one.default, str | int | float) and not isinstance(one.default, bool) and one.default != ""
    told = f" At first: {one.default}." if shown else " Needed." if one.required else ""
    return f"{one.help or ''}{told}"


def _section(words: str, command: Any, context: Any) -> str:
    help_ = "\n\n".join(" ".join(part.split()) for part in (command.help or "").split("\n\n"))
    given = parameters(command, context)
    cells = [(f"`{_called(one)}`".replace("|", r"\|"), _meaning(one).replace("|", r"\|")) for one in given]
    table = "\n".join(["| | |", "|---|---|", *(f"| {name} | {meaning} |" for name, meaning in cells), ""])
    return f"## {words}\n\n{help_}\n\n    {_usage(words, given)}\n\n{table if cells else ''}"


def as_markdown() -> str:
    """The page, whole."""
    return "\n".join([_HEAD, *(_section(*one) for one in all_commands())]).rstrip() + "\n"


if __name__ == "__main__":
    typer.echo(as_markdown(), nl=False)
