"""Scores the reader of notes against a corpus: precision and recall of claims, per quantity and over all.

    python tests/audit/score_notes.py tests/audit/notes/held_out_1.toml ...     (-v lists every difference)

A claim counts as found when quantity, state, value, unit and `superseded` agree (numbers within 1 %). `hedged` and
`where` are scored among the claims found. Incidents are scored as kinds per note.
"""

from __future__ import annotations

import re
import sys
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pooleye.audit.claims import Claim
from pooleye.audit.reading import read_note

NOTES = Path(__file__).parent / "notes"
_NUMBER = re.compile(r"^-?\d+(\.\d+)?$")


@dataclass(frozen=True)
class Expected:
    """One expected claim, written in the corpus as "soot slight 8 mm ~ x @ rim, left" (~ hedged, x superseded)."""

    quantity: str
    state: str | None
    value: float | None
    unit: str | None
    hedged: bool
    superseded: bool
    where: str | None


def parse_expected(text: str) -> Expected:
    """An expected claim from its corpus notation; "-" is the state null."""
    body, _, where = text.partition("@")
    words = body.split()
    hedged, superseded = "~" in words, "x" in words
    words = [w for w in words if w not in ("~", "x")]
    quantity, state, rest = words[0], words[1], words[2:]
    value = float(rest[0]) if rest and _NUMBER.match(rest[0]) else None
    return Expected(
        quantity,
        None if state == "-" else state,
        value,
        rest[1] if value is not None else None,
        hedged,
        superseded,
        where.strip() or None,
    )


def agrees(claim: Claim, expected: Expected) -> bool:
    """Is the claim the expected one in everything that counts as found?"""
    if (claim.quantity, claim.state, claim.unit, claim.superseded) != (
        expected.quantity, expected.state, expected.unit, expected.superseded,
    ):  # fmt: skip
        return False
    if claim.value is None or expected.value is None:
        return claim.value is expected.value
    return abs(claim.value - expected.value) <= 0.01 * max(abs(expected.value), 1e-9)


@dataclass
class Score:
    """Counts over a corpus."""

    notes: int = 0
    perfect: int = 0
    found: Counter[str] = field(default_factory=Counter)
    claimed: Counter[str] = field(default_factory=Counter)
    expected: Counter[str] = field(default_factory=Counter)
    hedged_right: int = 0
    where_right: int = 0
    where_said: int = 0
    incidents_found: int = 0
    incidents_raised: int = 0
    incidents_expected: int = 0
    differences: list[str] = field(default_factory=list)

    @property
    def precision(self) -> float:
        return self.found.total() / max(self.claimed.total(), 1)

    @property
    def recall(self) -> float:
        return self.found.total() / max(self.expected.total(), 1)


def _places(text: str | None) -> set[str]:
    return set(re.split(r"[ ,]+", text)) if text else set()


def score_note(entry: dict[str, Any], score: Score) -> None:
    """Adds one note of the corpus to the score."""
    reading = read_note(entry["text"])
    expected = [parse_expected(text) for text in entry["claims"]]
    left, spurious = list(expected), []
    for claim in reading.claims:
        match = min((e for e in left if agrees(claim, e)), key=lambda e: e.where != claim.where, default=None)
        if match is None:
            spurious.append(claim)
            continue
        left.remove(match)
        score.found[claim.quantity] += 1
        score.hedged_right += claim.hedged == match.hedged
        if match.where:
            score.where_said += 1
            score.where_right += bool(_places(match.where) & _places(claim.where))
        if claim.hedged != match.hedged:
            score.differences.append(f"hedge   {claim.quantity} {claim.state} hedged={claim.hedged} | {entry['text']}")
        if match.where and not _places(match.where) & _places(claim.where):
            score.differences.append(f"where   {claim.quantity} {claim.where} not {match.where} | {entry['text']}")
    score.claimed.update(claim.quantity for claim in reading.claims)
    score.expected.update(e.quantity for e in expected)
    raised, wanted = {i.kind for i in reading.incidents}, set(entry.get("incidents", ()))
    score.incidents_found += len(raised & wanted)
    score.incidents_raised += len(raised)
    score.incidents_expected += len(wanted)
    score.notes += 1
    score.perfect += not left and not spurious
    show = lambda c: f"{c.quantity} {c.state} {c.value} {c.unit}{' superseded' if c.superseded else ''}"  # noqa: E731
    score.differences += [f"missed  {show(e)} | {entry['text']}" for e in left]
    score.differences += [f"extra   {show(c)} | {entry['text']}" for c in spurious]
    if raised != wanted:
        score.differences.append(f"danger  {sorted(raised)} not {sorted(wanted)} | {entry['text']}")


def score_file(path: Path) -> Score:
    """The score over one corpus file."""
    score = Score()
    for entry in tomllib.loads(path.read_text(encoding="utf-8"))["note"]:
        score_note(entry, score)
    return score


def report(path: Path, score: Score) -> str:
    """The score as a few lines of text."""
    found = max(score.found.total(), 1)
    lines = [
        f"{path.name}: {score.notes} notes, {score.expected.total()} claims expected, {score.claimed.total()} read",
        f"  precision {score.precision:.3f}  recall {score.recall:.3f}"
        f"  notes without any difference {score.perfect}/{score.notes}",
        f"  hedged right {score.hedged_right / found:.3f} of the found;"
        f" place right {score.where_right}/{score.where_said};"
        f" incidents {score.incidents_found} of {score.incidents_expected} found, {score.incidents_raised} raised",
    ]
    for quantity in sorted(score.expected | score.claimed):
        hit, said, want = score.found[quantity], score.claimed[quantity], score.expected[quantity]
        lines.append(
            f"    {quantity:13} precision {hit / said if said else 1:.2f}"
            f"  recall {hit / want if want else 1:.2f}  ({want} expected)"
        )
    return "\n".join(lines)


def main(arguments: list[str]) -> None:
    verbose = "-v" in arguments
    for name in [a for a in arguments if a != "-v"] or sorted(NOTES.glob("*.toml")):
        path = Path(name)
        score = score_file(path)
        print(report(path, score))
        if verbose:
            print("\n".join(score.differences))


if __name__ == "__main__":
    main(sys.argv[1:])
