"""What the reader carries through a note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pooleye.audit.claims import Incident, Unread
from pooleye.audit.clauses import Clause
from pooleye.audit.drafts import Draft
from pooleye.audit.heads import Head
from pooleye.audit.lexicon import Lexicon
from pooleye.audit.tokens import Token


@dataclass
class Cue:
    """A withdrawal or amendment said at token `start`, in sentence `sentence`."""

    kind: str
    start: int
    sentence: int


@dataclass
class State:
    """What the reader carries through a note."""

    tokens: Sequence[Token]
    note: str
    lexicon: Lexicon
    heads: list[Head] = field(default_factory=list)
    drafts: list[Draft] = field(default_factory=list)
    cues: list[Cue] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    incidents: list[Incident] = field(default_factory=list)
    clauses: list[Clause] = field(default_factory=list)
    touched: set[int] = field(default_factory=set)
    candle: str | None = None
    headed: bool = False
    heading_marked: bool = False
    snuffed: int = -9
    labels: set[str] = field(default_factory=set)


def add_unread(state: State, why: str, start: int, end: int) -> None:
    span = (state.tokens[start].start, state.tokens[end - 1].end)
    state.unread.append(Unread(why, state.note[span[0] : span[1]].strip(), span))
