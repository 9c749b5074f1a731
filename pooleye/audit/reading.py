"""Free text in a tester's own words into claims: the whole way, top to bottom.

`read_note` is a pure function of the text and the lexicon. It never guesses: what it does not understand is listed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from pooleye.audit.claims import Claim, Incident, Reading, Unread
from pooleye.audit.clauses import Clause, sentence_spans, split_clauses
from pooleye.audit.drafts import ClauseReader, Draft, Head, borrow_units, drafts_of
from pooleye.audit.lexicon import Lexicon, Meaning, load_lexicon
from pooleye.audit.scanning import Item, scan, scan_overlays, word
from pooleye.audit.tokens import Speller, Token, tokenise

_HEADING_MARKS = (":", "-", ",", "—", ")", "=")
_OTHER = (Meaning("other_candle", "other_candle"),)
_STILL = ("still", "again", "another")
_NOW = ("now", "today", "tonight", "this")
_COMPLEMENT = ("than", "versus", "vs", "unlike", "compared")
_LIKE = ("like", "as", "to", "with", "from", "since", "on", "against", "of")
_ABOUT_OTHERS = ("beside", "behind", "alongside", "next", "opposite")
_CONTRARY = {
    ("melt-pool", "hang-up"),
    ("melt-pool", "tunnelling"),
    ("hang-up", "melt-pool"),
    ("tunnelling", "melt-pool"),
}
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


@dataclass
class _Cue:
    """A withdrawal or amendment said at token `start`, in sentence `sentence`."""

    kind: str
    start: int
    sentence: int


@dataclass
class _State:
    """What the reader carries through a note."""

    tokens: Sequence[Token]
    note: str
    lexicon: Lexicon
    heads: list[Head] = field(default_factory=list)
    drafts: list[Draft] = field(default_factory=list)
    cues: list[_Cue] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    incidents: list[Incident] = field(default_factory=list)
    clauses: list[Clause] = field(default_factory=list)
    touched: set[int] = field(default_factory=set)
    candle: str | None = None
    headed: bool = False
    heading_marked: bool = False
    snuffed: int = -9
    labels: set[str] = field(default_factory=set)


def read_note(note: str, lexicon: Lexicon | None = None) -> Reading:
    """Everything a note claims, in the order said; see design of the claims in docs/audit.md."""
    lexicon = lexicon or load_lexicon()
    tokens = tokenise(note, Speller(lexicon.vocabulary))
    items = scan(tokens, note, lexicon)
    overlays = scan_overlays(tokens, lexicon, items)
    state = _State(tokens, note, lexicon)
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
            _note_unitless(state, head)
    _raise_incidents(state, overlays, items)
    superseded = _supersede(state)
    merged = _merge(state, superseded)
    _list_silent_clauses(state)
    _list_leftovers(state, items, overlays, merged)
    claims = tuple(_claim(state, draft) for draft in merged)
    return Reading(claims, tuple(state.incidents), tuple(sorted(state.unread, key=lambda u: u.span)))


def _bare_units(tokens: Sequence[Token], items: Sequence[Item]) -> list[str]:
    """Length units that stand without a number: "all in mm"."""
    held = {k for item in items if item.measure is not None for k in range(item.start, item.end)}
    names = {"mm": "mm", "millimetres": "mm", "millimeters": "mm", "cm": "cm", "inches": "in"}
    return [names[token.norm] for k, token in enumerate(tokens) if k not in held and token.norm in names]


# -- candles ---------------------------------------------------------------------------------------------------------------


def _find_headings(state: _State, items: Sequence[Item]) -> None:
    """A note that opens with a candle's label speaks of several candles in turn; one met later is another candle."""
    for item in items:
        if item.has("label"):
            state.headed = True
            state.heading_marked = word(state.tokens, item.end) in (":", "-", "—", "=")
            return
        if item.has("presence", "phrase", "thing") and not item.has("skip"):
            return


def _heading_starts(state: _State, items: Sequence[Item]) -> set[int]:
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


def _label_here(state: _State, clause: Clause) -> None:
    """Moves on to the candle a clause is headed with; a label met otherwise makes the clause another candle's."""
    for item in clause.items:
        name = item.of("label")
        if name is None or _in_complement(state, clause, item):
            continue
        first = not any(other.start < item.start and other.has("presence", "phrase", "word") for other in clause.items)
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


def _signature(state: _State, clause: Clause, item: Item) -> bool:
    """A label that closes the note names the candle of all that was said."""
    return item.end >= len(state.tokens) - 1


def _in_complement(state: _State, clause: Clause, item: Item) -> bool:
    """Is the item what something is compared with ("than B", "like candle 2")?"""
    before = [word(state.tokens, k) for k in range(max(item.start - 3, clause.start), item.start)]
    return (
        any(w in _COMPLEMENT for w in before)
        or (bool(before) and before[-1] in ("like", "as", "to", "with", "from"))
        or (clause.opened_by == "with"
        and item.start == clause.start)
    )


# -- one sentence ------------------------------------------------------------------------------------------------------------


def _read_sentence(state: _State, clauses: Sequence[Clause], number: int) -> list[Head]:
    """The heads of a sentence with their modifiers, those that claim nothing marked as dropped."""
    found: list[Head] = []
    scope = _Scope()
    timed_before = False
    for clause in clauses:
        _label_here(state, clause)
        _cut_complement(state, clause)
        before = found or state.heads[-3:]
        reader = ClauseReader(state.tokens, state.lexicon, clause, before, bool(found))
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


def _cut_complement(state: _State, clause: Clause) -> None:
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


class _Scope:
    """What the clauses of one sentence are about other than this burn of this candle: plans, the last burn, others."""

    def __init__(self) -> None:
        self.last_burn = False
        self.other = False
        self.plan_from: int | None = None
        self.conditional_next = False
        self.snuff = False
        self.reason: str | None = None
        self.relative = False

    def enter(self, state: _State, clause: Clause, number: int, clauses: Sequence[Clause]) -> None:
        words = [word(state.tokens, k) for k in range(clause.start, clause.end)]
        self.reason = None
        if any(w in _NOW for w in words[:4]) or any(item.has("this_candle") for item in clause.items):
            self.last_burn = self.other = False
        if any(item.has("last_burn") for item in clause.items) and not any(w in _STILL for w in words):
            self.last_burn = True
        if any(item.has("other_candle") for item in clause.items):
            self.other = True
        previous = next((c for c in clauses if c.end < clause.start and c.end >= clause.start - 2), None)
        self.relative = clause.opened_by == "which" and previous is not None and previous.compared
        quoting = any(item.has("quoted") for c in clauses if c.start < clause.start for item in c.items)
        plan = (
            None
            if quoting
            else next((item for item in clause.items if item.has("plan") and not item.has("not_plan")), None)
        )
        inherited = self.conditional_next and clause.opened_by in (",", "then")
        self.plan_from = plan.start if plan else clause.start if inherited else None
        self.conditional_next = bool(plan) and "if" in words[:2]
        self.snuff = any(item.has("snuff") for item in clause.items) or self.snuff
        if any(item.has("snuff") for item in clause.items):
            state.snuffed = number
        self.snuff = self.snuff or number - state.snuffed == 1

    def drops(self, state: _State, head: Head, clause: Clause) -> str | None:
        """Why a head of this clause claims nothing, or None."""
        if self.relative:
            return "comparison"
        if self.other and not self._before_other(head, clause):
            return "other-candle"
        if self.last_burn and not self._before_last(head, clause):
            return "last-burn"
        if self.plan_from is not None and head.item.start >= self.plan_from:
            return "plan"
        if self.plan_from is not None and 0 <= self.plan_from - head.item.end <= 1 and not head.settled:
            return "plan"
        if self.snuff and (head.presence == "smoke" or "smoke" in head.own):
            return "snuff"
        if head.compared and not head.presence and not head.measures and not head.own:
            return "comparison"
        return None

    def _before_other(self, head: Head, clause: Clause) -> bool:
        named = next((item for item in clause.items if item.has("other_candle")), None)
        return named is not None and head.item.start < named.start and head.settled

    def _before_last(self, head: Head, clause: Clause) -> bool:
        named = next((item for item in clause.items if item.has("last_burn")), None)
        return named is not None and head.item.start < named.start and not head.compared


def _note_reason(state: _State, clause: Clause, scope: _Scope, heads: Sequence[Head]) -> None:
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
        _add_unread(state, reasons[0], clause.start, clause.end)


def _add_unread(state: _State, why: str, start: int, end: int) -> None:
    span = (state.tokens[start].start, state.tokens[end - 1].end)
    state.unread.append(Unread(why, state.note[span[0] : span[1]].strip(), span))


def _note_unitless(state: _State, head: Head) -> None:
    for _, measure in head.measures:
        if measure.unit is None and not head.dropped:
            _add_unread(state, "number-without-unit", head.start, head.end)


# -- corrections -------------------------------------------------------------------------------------------------------------


def _collect_cues(state: _State, clause: Clause, number: int, reader: ClauseReader) -> None:
    for item in clause.items:
        for kind in ("withdraw", "amend", "quoted", "illusion"):
            if item.has(kind) and not (kind == "amend" and _mere_well(state, clause, item)):
                state.cues.append(_Cue(kind, item.start, number))
    if reader.takes_back:
        state.cues.append(_Cue("withdraw", clause.start, number))
    if reader.hesitates:
        state.cues.append(_Cue("amend", clause.start, number))


def _mere_well(state: _State, clause: Clause, item: Item) -> bool:
    text = word(state.tokens, item.start)
    return text == "well" and item.end == item.start + 1 and item.start != clause.start


def _supersede(state: _State) -> list[Draft]:
    """Marks what is withdrawn later in the note. A change over time is no withdrawal: only a cue withdraws."""
    drafts = sorted(state.drafts, key=lambda d: d.said)
    for cue in sorted(state.cues, key=lambda c: c.start):
        if cue.kind == "illusion":
            _withdraw_illusion(state, drafts, cue)
            continue
        earlier = [
            d
            for d in drafts
            if d.start < cue.start and not d.superseded and (d.end <= cue.start or cue.kind != "quoted")
        ]
        later = [d for d in drafts if d.start >= cue.start or (d.end > cue.start and d not in earlier)]
        if cue.kind == "quoted":
            _withdraw_quoted(drafts, cue)
            continue
        same = [d for d in later if d.sentence == cue.sentence] or [d for d in later if d.sentence == cue.sentence + 1]
        _withdraw(earlier, same, cue)
    return drafts


def _withdraw(earlier: list[Draft], later: list[Draft], cue: _Cue) -> None:
    matched = False
    for draft in later:
        rival = next((d for d in reversed(earlier) if d.quantity == draft.quantity and d.candle == draft.candle), None)
        if rival is None:
            continue
        matched = True
        if not _same_thing(rival, draft):
            rival.superseded = True
    if matched:
        return
    for draft in later:
        for rival in reversed(earlier):
            if (rival.quantity, draft.quantity) in _CONTRARY and _says_contrary(rival, draft):
                rival.superseded = matched = True
                break
    if not matched and cue.kind == "withdraw" and earlier:
        earlier[-1].superseded = True


def _says_contrary(rival: Draft, draft: Draft) -> bool:
    """A full pool and wax hanging up cannot both be."""
    pool, other = (rival, draft) if rival.quantity == "melt-pool" else (draft, rival)
    return (pool.state == "full") == (other.state != "none")


def _withdraw_illusion(state: _State, drafts: list[Draft], cue: _Cue) -> None:
    """ "the smudge was a reflection": what was last said to be seen was not there."""
    seen = [d for d in drafts if d.start < cue.start and not d.superseded and d.sentence >= cue.sentence - 1]
    unsure = {word(state.tokens, k) for k in range(max(0, cue.start - 5), cue.start)} & {
        "or",
        "maybe",
        "perhaps",
        "could",
        "might",
        "possibly",
    }
    if seen and not unsure and seen[-1].state != "none":
        seen[-1].superseded = True


def _withdraw_quoted(drafts: list[Draft], cue: _Cue) -> None:
    """ "I said clean rim but there is a smudge": the quoted claim yields to the one that follows."""
    quoted = next((d for d in drafts if d.start >= cue.start and d.sentence == cue.sentence), None)
    if quoted is None:
        return
    after = [
        d for d in drafts if d.start > quoted.start and d.quantity == quoted.quantity and d.sentence <= cue.sentence + 1
    ]
    if after:
        for draft in drafts:
            if draft.start <= quoted.start and draft.quantity == quoted.quantity and not _same_thing(draft, after[0]):
                draft.superseded = True


# -- the same thing said twice -------------------------------------------------------------------------------------------------


def _number(draft: Draft) -> tuple[float, str | None] | None:
    return (draft.measure.value, draft.measure.unit) if draft.measure else None


def _same_thing(one: Draft, other: Draft) -> bool:
    """Do two drafts say one thing: same state (or one says none), no two numbers, no two places?"""
    if (one.quantity, one.candle) != (other.quantity, other.candle):
        return False
    if one.state != other.state and None not in (one.state, other.state):
        return False
    if one.state != other.state and "none" in (one.state, other.state):
        return False
    if one.measure and other.measure and _number(one) != _number(other):
        return False
    return (
        one.where is None
        or other.where is None
        or bool(set(one.directions) & set(other.directions))
        or (one.directions == () or other.directions == ())
    )


def _merge(state: _State, drafts: Sequence[Draft]) -> list[Draft]:
    """One draft per thing said: state and number said together, or the same said twice, are one claim."""
    kept: list[Draft] = []
    for draft in drafts:
        if _still_holdable(state, kept, draft):
            continue
        twin = next((k for k in reversed(kept) if _merges(k, draft)), None)
        if twin is None:
            kept.append(draft)
            continue
        _absorb(twin, draft)
    return kept


def _still_holdable(state: _State, kept: Sequence[Draft], draft: Draft) -> bool:
    """ "hot but I can still hold it" says hot; the holding only qualifies it."""
    said = {word(state.tokens, k) for k in range(draft.start, draft.end)}
    same = any(k.quantity == "vessel-heat" and k.sentence == draft.sentence and k.state == "hot" for k in kept)
    return (
        draft.quantity == "vessel-heat"
        and draft.state == "warm"
        and same
        and bool(said & {"hold", "held", "touch", "holdable"})
    )


def _merges(one: Draft, other: Draft) -> bool:
    if one.superseded != other.superseded or not _same_thing(one, other):
        return False
    fills = one.state != other.state or (one.measure is None) != (other.measure is None)
    if fills and other.shifted and other.clause is not one.clause:
        return False
    return (
        not fills
        or other.sentence - one.sentence <= 1
        or (one.state is None and one.measure is None)
        or (other.state is None and other.measure is None)
    )


def _absorb(twin: Draft, draft: Draft) -> None:
    if draft.state is not None and twin.state is None:
        twin.state = draft.state
    if twin.measure is None:
        twin.measure, twin.loose = draft.measure, draft.loose
    twin.parts = twin.parts or draft.parts
    twin.directions = twin.directions or draft.directions
    twin.hedged = twin.hedged or draft.hedged
    if draft.clause is twin.clause:
        twin.start, twin.end = min(twin.start, draft.start), max(twin.end, draft.end)


# -- dangers, leftovers, words ---------------------------------------------------------------------------------------------------


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


def _raise_incidents(state: _State, overlays: Sequence[Item], items: Sequence[Item]) -> None:
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


def _plainly_denied(state: _State, overlay: Item) -> bool:
    before = [word(state.tokens, k) for k in range(max(0, overlay.start - 3), overlay.start)]
    return bool(before) and (
        before[-1] in _DENY
        or (len(before) > 1 and before[-2] in _DENY and before[-1] in ("any", "sign", "signs", "a", "seen", "of"))
        or (before[-1] == "or"
        and before[0] in _DENY)
    )


def _sentence_around(state: _State, overlay: Item) -> tuple[int, int]:
    def stops(k: int) -> bool:
        token = state.tokens[k]
        return token.kind == "newline" or token.norm in (".", ";", "!", "?")

    start, end = overlay.start, overlay.end
    while start > 0 and not stops(start - 1):
        start -= 1
    while end < len(state.tokens) and not stops(end):
        end += 1
    return start, end


def _list_silent_clauses(state: _State) -> None:
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
            _add_unread(state, "not-understood", clause.start, clause.end)


def _list_leftovers(state: _State, items: Sequence[Item], overlays: Sequence[Item], drafts: Sequence[Draft]) -> None:
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
            _add_unread(state, "not-understood", run[0], run[-1] + 1)
        run = []


def _claim(state: _State, draft: Draft) -> Claim:
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


def _words_range(state: _State, draft: Draft) -> tuple[int, int]:
    """The whole clause where it makes this one claim, else the words from first to last that made it."""
    clause = draft.clause
    rivals = [d for d in state.drafts if d is not draft and d.clause is clause and d.start != draft.start]
    if clause is not None and not rivals and clause.start <= draft.start < clause.end:
        return clause.start, max(clause.end, draft.end)
    return draft.start, draft.end


def claims_for(reading: Reading, candle: str) -> Iterable[Claim]:
    """The claims about one candle of a note that names several."""
    return (claim for claim in reading.claims if claim.candle in (None, candle))
