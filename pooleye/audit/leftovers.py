"""Dangers and leftovers: nothing that a note says is dropped in silence."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pooleye.audit.claims import Incident
from pooleye.audit.heads import Head
from pooleye.audit.notestate import State, add_unread
from pooleye.audit.scanning import Item, word
from pooleye.units import MM_PER_INCH

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


#: Words between the two halves of a danger; judged.
REACH = 6
#: A flame as high as this is put out, whatever else is said: ASTM F2417 and EN 15493, 75 mm (second-hand summaries).
TOO_HIGH_MM = 75.0
TO_MM = {"mm": 1.0, "cm": 10.0, "in": MM_PER_INCH}


def raise_incidents(state: State, overlays: Sequence[Item], items: Sequence[Item]) -> None:
    """Words of danger, unless plainly denied, become incidents to confirm; an adrift wick and a flame as high as no
    candle's may be are one by themselves."""
    said = [(kind, overlay) for overlay in overlays if (kind := overlay.of("incident")) is not None]
    for kind, overlay in [*said, *_said_apart(state)]:
        if not (_plainly_denied(state, overlay) or _harmless(state, overlay, kind)):
            _raise(state, kind, overlay)
    for draft in state.drafts:
        measure = draft.measure
        length = measure.value * TO_MM.get(measure.unit or "", 0.0) if measure is not None else 0.0
        if draft.quantity == "flame-height" and length >= TOO_HIGH_MM:
            _raise(state, "flare-up", Item(draft.start, draft.end))
        if (draft.quantity, draft.state) == ("wick", "adrift") and not any(
            i.kind == "wick-adrift" for i in state.incidents
        ):
            span = (state.tokens[draft.start].start, state.tokens[draft.end - 1].end)
            state.incidents.append(Incident("wick-adrift", state.note[span[0] : span[1]], span, draft.candle))


def _raise(state: State, kind: str, at: Item) -> None:
    """An incident with the whole sentence as its words; the same sentence raises one kind once."""
    start, end = _sentence_around(state, at)
    span = (state.tokens[start].start, state.tokens[end - 1].end)
    if not any(i.kind == kind and i.span == span for i in state.incidents):
        state.incidents.append(Incident(kind, state.note[span[0] : span[1]].strip(), span, state.candle))


def _said_apart(state: State) -> Iterator[tuple[str, Item]]:
    """Dangers said with other words between ("heard the glass, I think, break")."""
    words = [word(state.tokens, k) for k in range(len(state.tokens))]
    for kind, one, other in state.lexicon.near_dangers:
        for k in (k for k, text in enumerate(words) if text in other):
            start, end = _sentence_around(state, Item(k, k + 1))
            if any(words[near] in one for near in range(max(start, k - REACH), min(end, k + REACH + 1)) if near != k):
                yield kind, Item(k, k + 1)


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


def _harmless(state: State, overlay: Item, kind: str) -> bool:
    """ "a crack in the wax" is none in the vessel; two flames on two wicks are as they should be; a pool may well stand
    against the glass."""
    near = range(max(0, overlay.start - 2), min(overlay.end + 4, len(state.tokens)))
    if any(words in " ".join(word(state.tokens, k) for k in near) for words in state.lexicon.harmless):
        return True
    sentence = [word(state.tokens, k) for k in range(*_sentence_around(state, overlay))]
    if kind == "wick-adrift" and word(state.tokens, overlay.start) == "up":
        return not {"wick", "flame", "it"} & set(sentence)
    two = word(state.tokens, overlay.start) in ("two", "2") and overlay.end - overlay.start == 2
    return kind == "second-flame" and two and "wicks" in sentence


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
