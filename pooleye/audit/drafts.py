"""What a head with its modifiers claims, after denial, "nearly" and "except" have done their work."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from pooleye.audit.clauses import Clause
from pooleye.audit.heads import Head
from pooleye.audit.lexicon import DEGREE_SCALES
from pooleye.audit.numbers import LENGTHS, Measure

#: Places that are no single one.
ALL_ROUND = frozenset({"all round", "both sides", "left and right"})
_NEGATED_STATE = {
    ("melt-pool", "full"): "partial", ("melt-pool", "nearly-full"): "partial", ("flame-motion", "steady"): "flickering",
    ("flame-motion", "flickering"): "steady", ("flame-motion", "dancing"): "steady", ("wick", "centred"): "off-centre",
    ("pool-depth", "deep"): "shallow", ("pool-depth", "right"): None, ("pool-depth", "shallow"): None,
    ("flame-height", "tall"): "right", ("flame-height", "low"): "right", ("flame-height", "right"): None,
    ("hot-throw", "strong"): "weak", ("hot-throw", "medium"): "weak", ("hot-throw", "weak"): None,
    ("vessel-heat", "hot"): "warm", ("vessel-heat", "warm"): "cool", ("vessel-heat", "cool"): "warm",
    ("carbon-ball", "large"): "small", ("carbon-ball", "medium"): "small", ("carbon-ball", "small"): "none",
    ("debris", "present"): "none", ("hang-up", "none"): None, ("tunnelling", "none"): None, ("smoke", "none"): None,
    ("debris", "none"): "present", ("soot", "none"): None, ("carbon-ball", "none"): None,
}  # fmt: skip


@dataclass(eq=False)
class Draft:
    """A claim in the making: token range, and what the later passes over the whole note decide."""

    quantity: str
    state: str | None
    start: int
    end: int
    measure: Measure | None = None
    loose: bool = False
    parts: tuple[str, ...] = ()
    directions: tuple[str, ...] = ()
    hedged: bool = False
    candle: str | None = None
    superseded: bool = False
    quoted: bool = False
    sentence: int = 0
    clause: Clause | None = None
    shifted: bool = False
    said: int = 0

    @property
    def where(self) -> str | None:
        return ", ".join([*self.parts[:1], *self.directions[:2]]) or None


def drafts_of(head: Head, sentence: int) -> list[Draft]:
    """What one head claims: nothing, or one draft per quantity spoken of."""
    if head.thing == "other" or head.dropped or (head.until and "full" in head.own.values() and not head.measures):
        return []
    states = _states_of(head)
    quantities = list(dict.fromkeys([*states, *(q for q, m in head.measures if m.unit is not None)]))
    if head.presence and not quantities:
        if head.compared and not head.directions:
            return []
        quantities, states = [head.presence], {head.presence: None}
    drafts: list[Draft] = []
    for quantity in quantities:
        state = states.get(quantity)
        said = [
            m for q, m in head.measures if q == quantity and m.unit is not None and (m.unit != "min" or state == "full")
        ]
        if state is None and not said and not head.presence:
            continue
        drafts += [_draft(head, quantity, state, measure, sentence) for measure in said or (None,)]
    return drafts


def _draft(head: Head, quantity: str, state: str | None, measure: Measure | None, sentence: int) -> Draft:
    if measure is not None and quantity == "melt-pool" and measure.unit == "1" and measure.value >= 0.995:
        state = state or "full"
    start, end = _range_of(head, quantity, measure)
    clause = (
        head.clause if measure is None or start != measure.start else head.measured_in.get(measure.start, head.clause)
    )
    return Draft(
        quantity,
        state,
        start,
        end,
        measure,
        loose=head.loose,
        parts=tuple(head.parts),
        directions=tuple(head.directions),
        hedged=head.hedged or head.soft or head.loose,
        candle=head.candle,
        quoted=head.quoted,
        sentence=sentence,
        clause=clause,
        shifted=head.shifted,
        said=_said_at(head, quantity, measure),
    )


def _said_at(head: Head, quantity: str, measure: Measure | None) -> int:
    """The token at which a claim is made: claims are listed in the order said."""
    if head.own or head.presence:
        return head.item.start
    if quantity in head.states:
        return head.states[quantity][1].start
    return measure.start if measure is not None else head.item.start


def _range_of(head: Head, quantity: str, measure: Measure | None) -> tuple[int, int]:
    """The tokens that make one claim of a head; a number said in a later clause of a thing stands by itself there."""
    if (
        measure is not None
        and measure.start >= head.clause.end
        and quantity not in head.own
        and quantity not in head.states
        and not head.presence
    ):
        return measure.start, measure.end
    told_in = head.measured_in.get(measure.start) if measure is not None else None
    if (
        measure is not None
        and told_in is not None
        and 0 < told_in.start - head.clause.end <= 2
        and not any(i.has("presence", "phrase", "thing") for i in told_in.items)
    ):
        return head.start, max(head.end, measure.end)
    return head.start, head.end


def _states_of(head: Head) -> dict[str, str | None]:
    """{quantity: state or None} after denial and "nearly" have done their work."""
    if head.own:
        quantity, state = next(iter(head.own.items()))
        return _changed(head, quantity, state)
    if head.presence and head.negated and not head.states:
        if head.excepted:
            return {head.presence: None if head.measures or head.remainder else "slight"}
        return {head.presence: "none"}
    states: dict[str, str | None] = {}
    for quantity, (state, _) in head.states.items():
        states[quantity] = _denied_state(quantity, state) if quantity in head.denied_words else state
    if head.nearly and states.get("melt-pool") == "full":
        states["melt-pool"] = "nearly-full"
    if head.presence and head.nearly and states.get(head.presence) == "none":
        return {head.presence: "small" if head.presence == "carbon-ball" else "slight"}
    if head.presence and head.excepted and states.get(head.presence) == "none":
        return {head.presence: None if head.measures or head.remainder else "slight"}
    if head.thing == "pool" and head.negated and not states:
        return {"melt-pool": "none"}
    if head.thing == "throw" and head.negated and not states:
        return {"hot-throw": "none"}
    if head.presence and head.negated and states:
        return {head.presence: "none"} if states.get(head.presence) == "none" else dict(states)
    return states


def _changed(head: Head, quantity: str, state: str) -> dict[str, str | None]:
    if (head.nearly or head.excepted) and state == "none" and quantity in DEGREE_SCALES:
        return {quantity: DEGREE_SCALES[quantity][1]}
    if head.conditional and (quantity, state) in (("flame-motion", "flickering"), ("flame-motion", "dancing")):
        return {quantity: "steady"}
    if (quantity, state) == ("melt-pool", "full"):
        if head.nearly or head.excepted:
            return {quantity: "nearly-full"}
        if set(head.directions) - ALL_ROUND:
            return {quantity: "partial"}
    if head.negated:
        changed = _denied_state(quantity, state)
        return {quantity: changed} if changed is not None else {}
    return {quantity: state}


def _denied_state(quantity: str, state: str) -> str | None:
    """What "not STATE" says: on a scale of degrees one step down, else by the table; None where it says nothing."""
    if (quantity, state) in _NEGATED_STATE:
        return _NEGATED_STATE[(quantity, state)]
    if quantity in ("hang-up", "tunnelling", "soot", "smoke"):
        return {"heavy": "slight", "moderate": "slight", "slight": "none"}.get(state)
    if (quantity, state) == ("melt-pool", "none"):
        return None
    return None


def borrow_units(drafts_heads: Sequence[Head], spoken: Sequence[str] = ()) -> None:
    """A unit said once serves the bare numbers beside it; fractions of eighths are inches where nothing else was said.
    `spoken` are length units that stand without a number ("all in mm")."""
    said = [m.unit for head in drafts_heads for _, m in head.measures if m.unit in LENGTHS] or list(spoken)
    degrees = [m.unit for head in drafts_heads for _, m in head.measures if m.unit in ("F", "C")]
    for head in drafts_heads:
        head.measures = [(q, _with_unit(q, m, said, degrees)) for q, m in head.measures]


def _with_unit(
    quantity: str, measure: Measure, lengths: Sequence[str | None], degrees: Sequence[str | None]
) -> Measure:
    if measure.unit == "deg" and quantity == "vessel-heat":
        return replace(measure, unit=degrees[0] if degrees else "F" if measure.value >= 95 else "C")
    if measure.unit is not None:
        return measure
    if quantity == "vessel-heat":
        return replace(measure, unit=degrees[0]) if degrees else measure
    if (
        quantity == "melt-pool"
        and measure.value < 1
        and not (lengths and lengths[0] == "in")
        and measure.step not in (0.1, 0.01)
    ):
        return replace(measure, unit="1")
    if lengths:
        return replace(measure, unit=lengths[0], step=min(measure.step, 0.5) if lengths[0] == "in" else measure.step)
    if measure.spoken and measure.step >= 0.25:
        return measure  # "half what it was"
    if measure.step in (0.25, 0.125, 0.0625) or (measure.step == 0.5 and measure.value % 1 == 0.5):
        return replace(measure, unit="in")
    return measure
