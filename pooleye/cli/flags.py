"""`pooleye flags`: every flag and reason, what it means and what to do."""

from __future__ import annotations

from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("flags")(flags)


def flags(
    markdown: Annotated[bool, typer.Option("--markdown", help="As the page docs/flags.md.")] = False,
) -> None:
    """List every flag and every reason to decline a photo: what it means and what to do."""
    from pooleye.flags import FLAGS, REASONS, registry_as_markdown

    if markdown:
        typer.echo(registry_as_markdown(), nl=False)
        return
    typer.echo("Flags, said beside the numbers:")
    for flag in FLAGS.values():
        typer.echo(f"\n{flag.name} ({flag.severity})\n  {flag.meaning}\n  {flag.remedy}")
    typer.echo("\nReasons to decline a photo:")
    for reason in REASONS.values():
        typer.echo(f"\n{reason.name}\n  {reason.meaning}\n  {reason.hint}")
