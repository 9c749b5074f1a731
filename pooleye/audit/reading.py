"""Free text in a tester's own words into claims: the whole way, top to bottom.

`read_note` is a pure function of the text and the lexicon. It never guesses: what it does not understand is listed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence, Set
from dataclasses import replace
from functools import lru_cache

from pooleye.audit.attach import ClauseReader
from pooleye.audit.claims import Claim, Reading, Unread
from pooleye.audit.clauses import Clause, sentence_spans, split_clauses
from pooleye.audit.drafts import Draft, borrow_units, drafts_of
from pooleye.audit.heads import Head
from pooleye.audit.leftovers import list_leftovers, list_silent_clauses, note_unitless, raise_incidents
from pooleye.audit.lexicon import Lexicon, Meaning, load_lexicon
from pooleye.audit.notestate import Cue, State, add_unread
from pooleye.audit.revising import except_at_one_place, merge, supersede
from pooleye.audit.scanning import Item, scan, scan_overlays, word
from pooleye.audit.scope import Scope
from pooleye.audit.tokens import Speller, Token, tokenise

READER = "notes/2"
"""Method and version, kept with every claim: it moves whenever claims may move."""

_CODE = re.compile(r"\b[A-Z0-9]{3,}\b")
_OTHER = (Meaning("other_candle", "other_candle"),)
_COMPLEMENT = ("than", "versus", "vs", "unlike", "compared")
_LIKE = ("like", "as", "to", "with", "from", "since", "on", "against", "of")
_ABOUT_OTHERS = ("beside", "behind", "alongside", "next", "opposite")
_REASONS = {
    "comparison": "a bare comparison is no claim",
    "plan": "a plan, wish or condition is no claim",
    "last-burn": "about another burn",
    "other-candle": "about another candle",
    "snuff": "smoke after the flame is put out is no claim",
    "not-audited": "nothing that is audited",
    "number-without-unit": "a number without a unit",
    "not-understood": "not understood",
}


def explain(unread: Unread) -> str:
    """One line for a person: the words and why nothing was made of them."""
    return f'{_REASONS[unread.why]}: "{unread.words}"'


def read_note(note: str, lexicon: Lexicon | None = None, codes: Set[str] = frozenset()) -> Reading:
    """Everything a note claims, in the order said; see design of the claims in docs/audit.md.

    `codes`: candles that the note may name by their codes, in capitals.
    """
    named = {text for text in _CODE.findall(note) if text in codes}
    return _read(note, lexicon or load_lexicon(), frozenset(named))


@lru_cache(maxsize=4)
def _speller(lexicon: Lexicon) -> Speller:
    return Speller(lexicon.vocabulary, lexicon.aliases, lexicon.dangers)


@lru_cache(maxsize=4096)
def _read(note: str, lexicon: Lexicon, codes: frozenset[str]) -> Reading:
    """Kept, since an audit reads every note of a log, and the phone page asks for one again and again."""
    tokens = tokenise(note, _speller(lexicon))
    items = scan(tokens, note, lexicon, codes)
    overlays = scan_overlays(tokens, lexicon, items)
    state = State(tokens, note, lexicon)
    _find_headings(state, items)
    every_head: list[list[Head]] = []
    for number, span in enumerate(sentence_spans(tokens, note, items, _heading_starts(state, items))):
        clauses = split_clauses(tokens, span, items, overlays)
        every_head.append(_read_sentence(state, clauses, number))
    borrow_units([head for heads in every_head for head in heads], _bare_units(tokens, items))
    for number, heads in enumerate(every_head):
        for head in sorted(heads, key=lambda h: h.start):
            drafts = drafts_of(head, number)
            state.drafts += drafts
            if drafts:
                state.touched |= {head.item.start, *head.heard, *(start for start, _ in head.used)}
            note_unitless(state, head)
    raise_incidents(state, overlays, items)
    superseded = supersede(state)
    except_at_one_place(superseded)
    merged = merge(state, superseded)
    list_silent_clauses(state)
    list_leftovers(state, items, overlays)
    claims = tuple(_claim(state, draft) for draft in merged)
    return Reading(claims, tuple(state.incidents), tuple(sorted(state.unread, key=lambda u: u.span)))


def _bare_units(tokens: Sequence[Token], items: Sequence[Item]) -> list[str]:
    """Length units that stand without a number: "all in mm"."""
    held = {k for item in items if item.measure is not None for k in range(item.start, item.end)}
    names = {"mm": "mm", "millimetres": "mm", "millimeters": "mm", "cm": "cm", "inches": "in"}
    return [names[token.norm] for k, token in enumerate(tokens) if k not in held and token.norm in names]


def _find_headings(state: State, items: Sequence[Item]) -> None:
    """A note that opens with a candle's label speaks of several candles in turn; one met later is another candle."""
    for item in items:
        if item.has("label"):
            state.headed = True
            state.heading_marked = word(state.tokens, item.end) in (":", "-", "—", "=")
            return
        if item.has("presence", "phrase", "thing") and not item.has("skip"):
            return


def _heading_starts(state: State, items: Sequence[Item]) -> set[int]:
    """Tokens where a note of several candles turns to the next one, punctuated or not."""
    if not state.headed:
        return set()
    apart = (*_COMPLEMENT, *_LIKE, *_ABOUT_OTHERS, "the", "and", "on", "in", "for", "of")
    labels = [item for item in items if item.has("label")]
    return {
        item.start for item in labels
        if word(state.tokens, item.start - 1) not in apart
        and not any(word(state.tokens, k) in _ABOUT_OTHERS for k in range(item.end, item.end + 3))
        and (not state.heading_marked or word(state.tokens, item.end) in (":", "-", "—", "="))
    }  # fmt: skip


def _label_here(state: State, clause: Clause) -> None:
    """Moves on to the candle a clause is headed with; a label met otherwise makes the clause another candle's, and
    "this one" leads back to the note's own."""
    labelled = any(item.has("label") for item in clause.items)
    if not labelled and not state.heading_marked and any(item.has("this_candle") for item in clause.items):
        state.candle = None
    for item in clause.items:
        name = item.of("label")
        if name is None or _in_complement(state, clause, item):
            continue
        first = not any(other.start < item.start and other.has("presence", "phrase", "thing") for other in clause.items)
        about_others = any(word(state.tokens, k) in _ABOUT_OTHERS for k in range(item.end, item.end + 3))
        marked = word(state.tokens, item.end) in (":", "-", "—", "=")
        if (
            state.headed
            and not about_others
            and (
                not state.heading_marked
                or marked
                or state.candle is None
                or name == state.candle
                or (first and clause.opened_by in ("", ","))
            )
            and first
        ):
            state.candle = name
        elif name != state.candle and not _signature(state, clause, item):
            for_other = item
            clause.items = [i if i is not for_other else replace(i, senses=(*i.senses, *_OTHER)) for i in clause.items]


def _signature(state: State, clause: Clause, item: Item) -> bool:
    """A label that closes the note names the candle of all that was said."""
    return item.end >= len(state.tokens) - 1


def _in_complement(state: State, clause: Clause, item: Item) -> bool:
    """Is the item what something is compared with ("than B", "like candle 2")?"""
    before = [word(state.tokens, k) for k in range(max(item.start - 3, clause.start), item.start)]
    return (
        any(w in _COMPLEMENT for w in before)
        or (bool(before) and before[-1] in ("like", "as", "to", "with", "from"))
        or (clause.opened_by == "with" and item.start == clause.start)
    )


def _read_sentence(state: State, clauses: Sequence[Clause], number: int) -> list[Head]:
    """The heads of a sentence with their modifiers, those that claim nothing marked as dropped."""
    found: list[Head] = []
    scope = Scope()
    timed_before = False
    for clause in clauses:
        earlier = state.candle
        _label_here(state, clause)
        _cut_complement(state, clause)
        back = earlier is not None and state.candle is None
        if back:  # what came before was of another candle
            _drop_other(state, [*state.heads, *found], earlier)
        before = found or state.heads[-3:]
        reader = ClauseReader(state.tokens, state.lexicon, clause, before, bool(found) and not back)
        heads = reader.read()
        scope.enter(state, clause, number, clauses)
        for head in heads:
            head.shifted |= timed_before
            head.candle = state.candle
            head.conditional = head.conditional or any(item.has("condition") for item in clause.items)
            head.dropped = head.dropped or scope.drops(state, head, clause)
        _collect_cues(state, clause, number, reader)
        timed_before = not heads and any(
            item.measure is not None and item.measure.unit == "min" for item in clause.items
        )
        found += heads
        state.clauses.append(clause)
        _note_reason(state, clause, scope, heads)
    state.heads = [*state.heads, *found][-6:]
    return found


def _drop_other(state: State, heads: Sequence[Head], candle: str | None) -> None:
    for head in heads:
        if head.candle == candle and not head.dropped:
            head.dropped = "other-candle"
            add_unread(state, "other-candle", head.clause.start, head.clause.end)


def _cut_complement(state: State, clause: Clause) -> None:
    """Takes out of a clause what it only compares with: everything after "than", and "like last time", "as B"."""
    cut = clause.end
    held = {k for item in clause.items for k in range(item.start, item.end)}
    for k in range(clause.start, clause.end):
        if k in held:
            continue
        text = word(state.tokens, k)
        following = next((item for item in clause.items if item.start in (k + 1, k + 2)), None)
        if text in _COMPLEMENT and not (
            following is not None and following.measure is not None and following.start == k + 1
        ):
            cut = k
            break
        if text in _LIKE and following is not None and following.has("last_burn", "other_candle", "label"):
            cut = k
            break
    if cut < clause.end:
        clause.compared = True
        clause.items = [item for item in clause.items if item.end <= cut]
        clause.overlays = [item for item in clause.overlays if item.end <= cut or item.has("incident")]


def _note_reason(state: State, clause: Clause, scope: Scope, heads: Sequence[Head]) -> None:
    """Lists a clause that claims nothing, with the reason that was found."""
    reasons = [head.dropped for head in heads if head.dropped]
    bare = [h for h in heads if h.presence and h.compared and not h.settled and not h.measures and not h.directions]
    if bare or (
        not reasons
        and any(item.has("comparative") for item in clause.items)
        and not any(h.settled or h.presence or h.measures for h in heads)
    ):
        reasons.append("comparison")
    if not reasons and scope.plan_from is not None and not any(h.settled or h.measures or h.presence for h in heads):
        reasons.append("plan")
    if not reasons and any(h.thing == "other" for h in heads) and all(h.thing == "other" for h in heads):
        reasons.append("not-audited")
    if reasons and reasons[0]:
        add_unread(state, reasons[0], clause.start, clause.end)


def _collect_cues(state: State, clause: Clause, number: int, reader: ClauseReader) -> None:
    for item in clause.items:
        for kind in ("withdraw", "amend", "quoted", "illusion"):
            if item.has(kind) and not (kind == "amend" and _mere_well(state, clause, item)):
                state.cues.append(Cue(kind, item.start, number))
    if reader.takes_back:
        state.cues.append(Cue("withdraw", clause.start, number))
    if reader.hesitates:
        state.cues.append(Cue("amend", clause.start, number))


def _mere_well(state: State, clause: Clause, item: Item) -> bool:
    text = word(state.tokens, item.start)
    return text == "well" and item.end == item.start + 1 and item.start != clause.start


def _claim(state: State, draft: Draft) -> Claim:
    start, end = _words_range(state, draft)
    span = (state.tokens[start].start, state.tokens[end - 1].end)
    measure = draft.measure
    return Claim(
        quantity=draft.quantity,
        state=draft.state,
        words=state.note[span[0] : span[1]].strip(),
        span=span,
        value=_tidy(measure.value) if measure else None,
        unit=measure.unit if measure else None,
        value_u=measure.u(draft.loose) if measure else None,
        where=draft.where,
        superseded=draft.superseded,
        hedged=draft.hedged,
        candle=draft.candle,
    )


def _tidy(value: float) -> float:
    return round(value, 4)


def _words_range(state: State, draft: Draft) -> tuple[int, int]:
    """The whole clause where it makes this one claim, else the words from first to last that made it."""
    clause = draft.clause
    rivals = [d for d in state.drafts if d is not draft and d.clause is clause and d.start != draft.start]
    if clause is not None and not rivals and clause.start <= draft.start < clause.end:
        return clause.start, max(clause.end, draft.end)
    return draft.start, draft.end


def claims_for(reading: Reading, candle: str) -> Iterable[Claim]:
    """The claims about one candle of a note that names several."""
    return (claim for claim in reading.claims if claim.candle in (None, candle))
