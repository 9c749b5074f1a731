"""Corrections and repetitions: what a note takes back, and what it says twice."""

from __future__ import annotations

from collections.abc import Sequence

from pooleye.audit.drafts import ALL_ROUND, Draft
from pooleye.audit.notestate import Cue, State
from pooleye.audit.scanning import word

_CONTRARY = {
    ("melt-pool", "hang-up"),
    ("melt-pool", "tunnelling"),
    ("hang-up", "melt-pool"),
    ("tunnelling", "melt-pool"),
}


_SEEN_WRONGLY = ("soot", "smoke", "hang-up", "tunnelling", "carbon-ball", "debris")
_UNSURE = {"or", "maybe", "perhaps", "could", "might", "possibly"}


def supersede(state: State) -> list[Draft]:
    """Marks what is withdrawn later in the note. A change over time is no withdrawal: only a cue withdraws."""
    drafts = _said_together(state, sorted(state.drafts, key=lambda d: d.said))
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
            _withdraw_quoted(state, drafts, cue)
            continue
        same = [d for d in later if d.sentence == cue.sentence] or [d for d in later if d.sentence == cue.sentence + 1]
        _withdraw(earlier, same, cue)
    return drafts


def _said_together(state: State, drafts: list[Draft]) -> list[Draft]:
    """State and number of one sentence joined first, so that a correction takes both back."""
    cues = [cue.start for cue in state.cues]
    kept: list[Draft] = []
    for draft in drafts:
        twin = next((k for k in reversed(kept) if k.sentence == draft.sentence and _merges(k, draft)), None)
        if twin is None or any(twin.said < cue <= draft.said for cue in cues):
            kept.append(draft)
        else:
            _absorb(twin, draft)
    return kept


def _withdraw(earlier: list[Draft], later: list[Draft], cue: Cue) -> None:
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


def _withdraw_illusion(state: State, drafts: list[Draft], cue: Cue) -> None:
    """ "the smudge was a reflection": what was last said to be seen was not there."""
    seen = [d for d in drafts if d.start < cue.start and d.sentence >= cue.sentence - 1]
    unsure = _UNSURE & {word(state.tokens, k) for k in range(max(0, cue.start - 5), cue.start)}
    if seen and not unsure and seen[-1].state != "none" and seen[-1].quantity in _SEEN_WRONGLY:
        seen[-1].superseded = True


def _withdraw_quoted(state: State, drafts: list[Draft], cue: Cue) -> None:
    """ "I said clean rim but there is a smudge": the quoted claim yields to the one that follows."""
    quoted = next((d for d in drafts if d.start >= cue.start and d.sentence == cue.sentence), None)
    if quoted is None:
        return
    after = [
        d
        for d in drafts
        if d.start > quoted.start
        and d.sentence <= cue.sentence + 1
        and (
            d.quantity == quoted.quantity or ((quoted.quantity, d.quantity) in _CONTRARY and _says_contrary(quoted, d))
        )
    ]
    struck = word(state.tokens, cue.start) in (
        "scratch",
        "cross",
        "delete",
        "strike",
        "cancel",
        "ignore",
        "disregard",
        "forget",
    )
    for draft in drafts:
        taken = draft.start <= quoted.start and draft.quantity == quoted.quantity
        if taken and (struck or (after and not _same_thing(draft, after[0]))):
            draft.superseded = True


_BUT = {"but", "except", "otherwise", "although", "though", "tho", "however"}


def except_at_one_place(drafts: Sequence[Draft]) -> None:
    """ "full, but a sliver of hard wax at the back", "hang-up at 10 o'clock, otherwise full": nearly full."""
    for pool in drafts:
        if (pool.quantity, pool.state, pool.superseded) != ("melt-pool", "full", False):
            continue
        for ring in drafts:
            later = max(pool, ring, key=lambda one: one.start)
            linked = later.clause is not None and later.clause.opened_by in _BUT
            hung = ring.quantity == "hang-up" and ring.state != "none" and ring.sentence == pool.sentence
            if hung and linked and set(ring.directions) - ALL_ROUND:
                pool.state = "nearly-full"


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


def merge(state: State, drafts: Sequence[Draft]) -> list[Draft]:
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


def _still_holdable(state: State, kept: Sequence[Draft], draft: Draft) -> bool:
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
