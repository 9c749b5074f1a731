"""`pooleye claims`: what a note in a tester's own words claims."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from pooleye.audit.claims import Claim, Reading


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("claims")(claims)


def claims(
    text: Annotated[str, typer.Argument(metavar="TEXT", help="The note, or - to read it from standard input.")],
    as_json: Annotated[bool, typer.Option("--json", help="One JSON list of claims, in the order said.")] = False,
    candle: Annotated[
        str | None, typer.Option(metavar="LABEL", help="Only what is said of this candle, if the note names several.")
    ] = None,
    lexicon: Annotated[
        Path | None, typer.Option(metavar="FILE", help="A TOML file with your own words, added to the built-in ones.")
    ] = None,
) -> None:
    """Read a note into claims: what it says of pool, hang-up, soot, smoke, flame, wick, scent, heat.

    What was not understood goes to standard error, one line each; so do words of danger, as incidents to confirm.
    """
    import json
    import sys

    from pooleye.audit.lexicon import load_lexicon
    from pooleye.audit.reading import claims_for, explain, read_note

    reading = read_note(sys.stdin.read() if text == "-" else text, load_lexicon(lexicon))
    chosen = list(reading.claims if candle is None else claims_for(reading, candle))
    if as_json:
        typer.echo(json.dumps([claim.to_json() for claim in chosen], ensure_ascii=False))
    else:
        for claim in chosen:
            typer.echo(_line(claim))
    for incident in reading.incidents:
        typer.echo(f'DANGER, an incident to confirm ({incident.kind}): "{_one_line(incident.words)}"', err=True)
    for unread in reading.unread:
        typer.echo(_one_line(explain(unread)), err=True)
    if candle is None:
        _name_candles(reading)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _name_candles(reading: Reading) -> None:
    """Says so where one note speaks of several candles: the list itself does not tell them apart."""
    labels = list(dict.fromkeys(claim.candle for claim in reading.claims if claim.candle))
    if len(labels) > 1:
        typer.echo(
            f"this note speaks of several candles ({', '.join(labels)}); --candle {labels[0]} shows one", err=True
        )


def _line(claim: Claim) -> str:
    """One claim for a person to read."""
    unit = "of the way" if claim.unit == "1" else claim.unit
    number = f" {claim.value:g} {unit}" if claim.value is not None else ""
    notes = [note for note, said in (("hedged", claim.hedged), ("withdrawn", claim.superseded)) if said]
    place = f", {claim.where}" if claim.where else ""
    more = f" ({', '.join(notes)})" if notes else ""
    return f'{claim.quantity}: {claim.state or "said"}{number}{place}{more}   "{_one_line(claim.words)}"'
