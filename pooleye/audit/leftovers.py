"""Dangers and leftovers: nothing that a note says is dropped in silence."""

from __future__ import annotations

from collections.abc import Sequence

from pooleye.audit.claims import Incident
from pooleye.audit.heads import Head
from pooleye.audit.notestate import State, add_unread
from pooleye.audit.scanning import Item, word

_BETWEEN_DENIAL = (
    "any",
    "sign",
    "signs",
    "a",
    "seen",
    "of",
    "evidence",
    "hint",
    "visible",
    "sort",
    "kind",
    "further",
    "single",
)
_DENY = (
    "no",
    "not",
    "without",
    "never",
    "didn't",
    "hasn't",
    "haven't",
    "isn't",
    "nor",
    "any",
    "zero",
    "wasn't",
    "don't",
)


def note_unitless(state: State, head: Head) -> None:
    for _, measure in head.measures:
        if measure.unit is None and not head.dropped:
            add_unread(state, "number-without-unit", head.start, head.end)


def raise_incidents(state: State, overlays: Sequence[Item], items: Sequence[Item]) -> None:
    """Words of danger, unless plainly denied, become incidents to confirm; an adrift wick is one by itself."""
    for overlay in overlays:
        kind = overlay.of("incident")
        if kind is None or _plainly_denied(state, overlay):
            continue
        start, end = _sentence_around(state, overlay)
        span = (state.tokens[start].start, state.tokens[end - 1].end)
        if not any(i.kind == kind and i.span == span for i in state.incidents):
            state.incidents.append(Incident(kind, state.note[span[0] : span[1]].strip(), span, state.candle))
    for draft in state.drafts:
        if (draft.quantity, draft.state) == ("wick", "adrift") and not any(
            i.kind == "wick-adrift" for i in state.incidents
        ):
            span = (state.tokens[draft.start].start, state.tokens[draft.end - 1].end)
            state.incidents.append(Incident("wick-adrift", state.note[span[0] : span[1]], span, draft.candle))


def _plainly_denied(state: State, overlay: Item) -> bool:
    """ "no cracks", "no sign of any cracking", "no cracks or leaks"; a flame put out by hand is not one lost."""
    before = [word(state.tokens, k) for k in range(max(0, overlay.start - 6), overlay.start)]
    by_hand = {"put", "blew", "blow", "putting", "blowing", "took", "take"} & set(before[-3:])
    if overlay.of("incident") == "self-extinguished" and by_hand:
        return True
    listed = "or" in before[-1:] and bool(set(before) & set(_DENY))
    while before and before[-1] in _BETWEEN_DENIAL:
        before.pop()
    return listed or bool(before and before[-1] in _DENY)


def _sentence_around(state: State, overlay: Item) -> tuple[int, int]:
    def stops(k: int) -> bool:
        token = state.tokens[k]
        return token.kind == "newline" or token.norm in (".", ";", "!", "?")

    start, end = overlay.start, overlay.end
    while start > 0 and not stops(start - 1):
        start -= 1
    while end < len(state.tokens) and not stops(end):
        end += 1
    return start, end


def list_silent_clauses(state: State) -> None:
    """Clauses that speak of something audited but made no claim and no other line: nothing is dropped in silence."""
    listed = [u.span for u in state.unread] + [i.span for i in state.incidents]
    for clause in state.clauses:
        speaks = [
            i
            for i in clause.items
            if i.has("thing", "presence", "phrase", "word", "degree", "mark")
            or (i.measure is not None and i.measure.unit not in (None, "min", "g"))
        ]
        heard = any(clause.start <= k < clause.end for k in state.touched)
        begin, finish = state.tokens[clause.start].start, state.tokens[clause.end - 1].end
        if speaks and not heard and not any(a < finish and begin < b for a, b in listed):
            add_unread(state, "not-understood", clause.start, clause.end)


def list_leftovers(state: State, items: Sequence[Item], overlays: Sequence[Item]) -> None:
    """Stretches with words that nothing above has used: two or more in a row, or one that is not an ordinary word."""
    used = {k for item in [*items, *overlays] for k in range(item.start, item.end)}
    listed = [u.span for u in state.unread] + [i.span for i in state.incidents]
    run: list[int] = []
    for k in range(len(state.tokens) + 1):
        inside = k < len(state.tokens) and state.tokens[k].kind in ("word", "number", "fraction") and k not in used
        if inside and state.tokens[k].norm not in state.lexicon.plain and len(state.tokens[k].norm) > 1:
            run.append(k)
            continue
        if inside and run:
            continue
        if run and not any(a <= state.tokens[run[0]].start < b for a, b in listed):
            add_unread(state, "not-understood", run[0], run[-1] + 1)
        run = []
