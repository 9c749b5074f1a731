"""From the items of a sentence to draft claims: which word was said of which thing.

Heads are what a clause speaks of (a thing, a presence, or a phrase that is a claim by itself); modifiers (degrees,
numbers, denials, places) go to the nearest head that can bear them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from pooleye.audit.claims import STATES
from pooleye.audit.clauses import Clause, list_groups
from pooleye.audit.lexicon import DEGREE_SCALES, DEGREES, Lexicon
from pooleye.audit.numbers import LENGTHS, Measure
from pooleye.audit.scanning import Item, word
from pooleye.audit.tokens import Token

NEGATION_REACH = 7
"""Tokens over which "no" still denies; judged on "no sign at all of any soot" (6)."""

SMALL_POOL = {"mm": 13.0, "cm": 1.3, "in": 0.5}
"""A bare number of a pool up to this is its depth ("half inch melt pool"): common practice, no source."""

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
_WITHDRAWN = object()


_OF_HEIGHT = (
    "right",
    "normal",
    "medium",
    "average",
    "moderate",
    "ideal",
    "just right",
    "mid",
    "spot on",
    "bang on",
    "med",
    "about right",
)

_PLACE_THINGS = ("vessel", "rim", "base")
"""Things that also say where: a clause with only these may go on about what was said before."""


@dataclass
class Head:
    """What a clause speaks of. `quantities` are those that a modifier may give it."""

    item: Item
    quantities: tuple[str, ...]
    clause: Clause
    own: dict[str, str] = field(default_factory=dict)
    presence: str | None = None
    thing: str | None = None
    states: dict[str, tuple[str, Item]] = field(default_factory=dict)
    measures: list[tuple[str, Measure]] = field(default_factory=list)
    negated: bool = False
    nearly: bool = False
    soft: bool = False
    hedged: bool = False
    compared: bool = False
    dropped: str | None = None
    loose: bool = False
    parts: list[str] = field(default_factory=list)
    directions: list[str] = field(default_factory=list)
    used: list[tuple[int, int]] = field(default_factory=list)
    heard: list[int] = field(default_factory=list)
    measured_in: dict[int, Clause] = field(default_factory=dict)
    candle: str | None = None
    conditional: bool = False
    quoted: bool = False
    denied_words: set[str] = field(default_factory=set)
    affirmed: bool = False
    excepted: bool = False
    until: bool = False
    remainder: bool = False
    shifted: bool = False
    at_edge: bool = False

    @property
    def start(self) -> int:
        return min([self.item.start, *(start for start, _ in self.used if start >= self.clause.start)])

    @property
    def end(self) -> int:
        return max([self.item.end, *(end for _, end in self.used if end <= self.clause.end)])

    @property
    def settled(self) -> bool:
        """Has it a state or denial of its own already?"""
        return bool(self.own or self.states or self.negated)


@dataclass
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


def heads_of(clause: Clause, lexicon: Lexicon) -> list[Head]:
    """The heads of a clause in order."""
    found = []
    present = {item.of("presence") for item in clause.items if item.has("presence")}
    for item in clause.items:
        if item.has("phrase") and present & set(word_states(item)) and not present & set(item.states("phrase")):
            continue  # "a mushroom the size of a match head" is no match head
        presence, thing = item.of("presence"), item.of("thing")
        if item.has("phrase") and (named := _after_measure(clause, item)):
            found.append(Head(item, lexicon.thing_quantities[named], clause, thing=named))
        elif item.has("phrase"):
            own = item.states("phrase")
            found.append(Head(item, tuple(own), clause, own=own))
        elif presence is None and _black_noun(clause, item):
            found.append(Head(item, ("soot",), clause, presence="soot"))
        elif presence:
            found.append(Head(item, (presence,), clause, presence=presence))
        elif thing:
            found.append(Head(item, lexicon.thing_quantities[thing], clause, thing=thing))
    return found


def _black_noun(clause: Clause, item: Item) -> bool:
    """ "a bit of black", "no black": the colour as a noun is soot."""
    before = any(i.end == item.start and i.has("degree", "negations") for i in clause.items)
    return (
        before
        and item.end == item.start + 1
        and item.states("word") == {"soot": "heavy"}
        and not item.has("degree", "thing")
    )


def _after_measure(clause: Clause, item: Item) -> str | None:
    """ "half inch deep melt pool", "20 mm tall flame": the phrase only says what was measured; the thing it names."""
    measured = any(i.measure is not None and i.measure.unit in LENGTHS and i.end == item.start for i in clause.items)
    states = item.states("phrase")
    if not measured:
        return None
    return "pool" if states.get("pool-depth") == "deep" else "flame" if states.get("flame-height") == "tall" else None


def word_states(item: Item) -> dict[str, str]:
    """{quantity: state} that a modifier can give: its own senses first, then its degree on each quantity's scale."""
    states = item.states("word")
    for degree in item.names("degree"):
        for quantity, scale in DEGREE_SCALES.items():
            states.setdefault(quantity, scale[DEGREES.index(degree)])
    return states


def distance(tokens: Sequence[Token], heads: Sequence[Head], head: Head, item: Item, post_style: bool) -> float:
    """How far a modifier stands from a head, in tokens, other heads between counting for more."""
    if item.end <= head.item.start:
        between = [h for h in heads if item.end <= h.item.start < head.item.start]
        gap = head.item.start - item.end - (word(tokens, item.end) in ("of", "the", "a", "in"))
        return gap + 3 * len(between) + (1.0 if post_style else 0.0)
    if item.start >= head.item.end:
        between = [h for h in heads if head.item.end <= h.item.start < item.start]
        copula = word(tokens, head.item.end) in (
            "is",
            "was",
            "are",
            "were",
            "looks",
            "=",
            ":",
            "at",
            "still",
            "being",
            "has",
            "looking",
            "very",
            "isn't",
            "wasn't",
            "seems",
            "stays",
            "remains",
        )
        return item.start - head.item.end + 0.5 + 3 * len(between) - (2.0 if copula and not between else 0.0)
    return 0.0


def nearest_head(
    tokens: Sequence[Token], heads: Sequence[Head], item: Item, fits: Callable[[Head], bool], post_style: bool
) -> Head | None:
    fitting = [head for head in heads if fits(head)]
    return min(fitting, key=lambda head: distance(tokens, heads, head, item, post_style), default=None)


def _post_style(clause: Clause, heads: Sequence[Head]) -> bool:
    """Does the speaker name things first ("soot slight, flame tall") rather than last ("slight soot, tall flame")?"""
    modifiers = [
        item.start
        for item in clause.items
        if item.has("word", "degree") and not item.has("presence", "phrase", "thing")
    ]
    named = [head.item.start for head in heads if head.thing or head.presence]
    return bool(named and modifiers and named[0] < modifiers[0])


def _is_modifier(item: Item) -> bool:
    return item.has("word", "degree", "mark", "soft") and item.measure is None


class ClauseReader:
    """Attaches the modifiers of one clause to its heads, or to the heads that were spoken of just before."""

    def __init__(
        self, tokens: Sequence[Token], lexicon: Lexicon, clause: Clause, before: Sequence[Head], same_sentence: bool
    ) -> None:
        self.tokens, self.lexicon, self.clause = tokens, lexicon, clause
        self.heads = heads_of(clause, lexicon)
        self.before = list(before)
        self.same_sentence = same_sentence
        self.post_style = _post_style(clause, self.heads)
        self.clones: list[Head] = []
        self.unplaced_soft = False
        self.softened: set[int] = set()
        self.reached: list[Head] = []
        self.shifted = self._is_shifted()
        self.takes_back = self._interjected(("no",))
        self.hesitates = self._interjected(("er", "erm", "um", "uh", "hmm"))

    def read(self) -> list[Head]:
        """The clause's heads with everything attached; clones of earlier heads where the clause went on about them."""
        self._choose_things()
        self._drop_misfits()
        self._mark_comparisons()
        heading = {id(head.item) for head in self.heads}
        for item in self.clause.items:
            if id(item) not in heading and _is_modifier(item):
                self._attach_word(item)
        for item in self.clause.items:
            if item.measure is not None:
                self._attach_measure(item)
        self._attach_denials()
        self._attach_nearly()
        self._share_lists()
        self._attach_overlays()
        self._mark_shifts()
        for clone in self.clones:
            clone.soft |= self.unplaced_soft
        return self.heads + self.clones

    # -- which sense of an ambiguous phrase ---------------------------------------------------------------------------

    def _drop_misfits(self) -> None:
        """ "flame leaning", "pool off-centre", "flame near the glass" say nothing of the wick or of the pool."""
        for head in self.heads:
            things = [h for h in self.heads if h.thing and h.item.start < head.item.start] or [
                h for h in self.before[-1:] if not head.thing and self._goes_on()
            ]
            things = [h for h in things if h.thing or "wick" in h.quantities]
            if head.thing and any(
                word(self.tokens, k) in ("when", "whenever") for k in range(self.clause.start, head.item.start)
            ):
                head.dropped = (
                    "plan"
                    if any(h.own or h.presence for h in self.heads if h.item.start < head.item.start)
                    else head.dropped
                )
            if not head.own or not things:
                continue
            quantity, thing = next(iter(head.own)), things[-1].thing or "wick"
            ends_at_edge = word(self.tokens, head.item.end - 1) in _EDGE_WORDS and head.item.end - head.item.start > 1
            measured = any(
                i.measure is not None and i.measure.unit in LENGTHS and i.end == head.item.start
                for i in self.clause.items
            )
            if (
                quantity == "melt-pool"
                and head.own["melt-pool"] == "partial"
                and measured
                and word(self.tokens, head.item.start) in ("short", "from", "off")
            ):
                head.own, head.quantities, head.thing = {}, (), "place"
                continue
            if quantity == "melt-pool" and ends_at_edge and thing == "wick" and head.own["melt-pool"] == "full":
                head.own, head.quantities = {"wick": "adrift"}, ("wick",)
                continue
            if (
                quantity == "wick"
                and head.own["wick"] != "drowned"
                and thing in ("pool", "flame", "other", "width", "depth")
                and not any(t.thing == "wick" for t in things)
            ) or (quantity == "melt-pool" and ends_at_edge and thing in ("flame", "wick", "other")):
                head.dropped = "not-understood"

    def _goes_on(self) -> bool:
        """Does the clause go on about the last thing ("it's against the glass", "and touching the side")?"""
        words = [word(self.tokens, k) for k in range(self.clause.start, self.clause.start + 2)]
        return bool({"it", "it's", "its", "now", "almost", "nearly"} & set(words)) or (
            self.same_sentence and self.clause.opened_by in ("and", "&")
        )

    def _choose_things(self) -> None:
        """A phrase with several senses ("touching the glass") takes the one that the thing before it can bear."""
        for head in self.heads:
            if len(head.own) < 2:
                continue
            bearers = [h for h in [*self.before[-2:], *self.heads] if h.thing and h.item.start < head.item.start]
            fitting = [q for bearer in reversed(bearers) for q in head.own if q in bearer.quantities]
            chosen = fitting[0] if fitting else next(iter(head.own))
            head.own = {chosen: head.own[chosen]}
            head.quantities = (chosen,)

    # -- comparisons ---------------------------------------------------------------------------------------------------

    def _mark_comparisons(self) -> None:
        for item in self.clause.items:
            if not item.has("comparative"):
                continue
            if word(self.tokens, item.end) == "than" and any(
                other.measure is not None and other.start == item.end + 1 for other in self.clause.items
            ):
                continue  # "less than 5 mm"
            head = nearest_head(
                self.tokens, self.heads, item, lambda h: not h.own and h.thing != "other", self.post_style
            )
            if head is not None:
                head.compared = True
                head.used.append((item.start, item.end))

    def _before_comparative(self, item: Item) -> bool:
        """ "slightly more", "3 mm wider": what stands before a comparative belongs to it."""
        following = [other for other in self.clause.items if other.start in (item.end, item.end + 1)]
        return any(other.has("comparative") for other in following[:1]) and not (
            item.measure is not None and word(self.tokens, item.end) in ("and", ",")
        )

    # -- degrees and states ----------------------------------------------------------------------------------------------

    def _attach_word(self, item: Item) -> None:
        if self._before_comparative(item) or self._names_dimension(item) or self._simile(item):
            return
        if self._grades_next_word(item):
            self.softened.add(item.end) if item.has("soft") else None
            return
        mark = item.of("mark")
        states = _mark_states(float(mark)) if mark else word_states(item)
        own = item.states("word")
        head = self._find(
            item, lambda h: any(q in (own if h.thing not in (None, "throw") else states) for q in h.quantities), states
        )
        if head is None:
            self._soften_nearest(item)
            return
        if self._only_approval(head, item) or self._debris_moves(head, item):
            return
        if head.own:
            head.soft |= item.has("soft")
            head.negated |= "none" in item.names("degree")
            head.used.append((item.start, item.end))
            return
        quantity = next(q for q in head.quantities if q in states)
        if quantity in head.states and head.states[quantity][0] != states[quantity]:
            if self._stronger(quantity, head.states[quantity][0], states[quantity]):
                return
        head.states[quantity] = (states[quantity], item)
        head.soft |= item.has("soft") or item.start in self.softened
        head.used.append((item.start, item.end))
        if head not in self.heads and head not in self.clones:
            self.reached.append(head)

    def _simile(self, item: Item) -> bool:
        """ "as thick as a pencil" measures by likeness; it grades nothing."""
        return word(self.tokens, item.start - 1) == "as" and word(self.tokens, item.end) == "as"

    def _grades_next_word(self, item: Item) -> bool:
        """ "barely warm", "slightly off": the degree belongs to the word right after it, not to a thing."""
        if item.states("word") or not item.has("degree", "soft") or "none" in item.names("degree"):
            return False
        following = next((o for o in self.clause.items if o.start == item.end), None)
        return (
            following is not None
            and bool(following.states("word"))
            and not following.has("degree", "phrase", "presence")
        )

    def _debris_moves(self, head: Head, item: Item) -> bool:
        """ "specks swimming near the wick": what floats is the debris, not the wick."""
        adrift = head.thing == "wick" and item.states("word").get("wick") == "adrift"
        return (
            adrift and item.end <= head.item.start and any("debris" in h.own for h in [*self.heads, *self.before[-1:]])
        )

    def _soften_nearest(self, item: Item) -> None:
        """ "a touch high": the softener says nothing of its own but hedges what it stands by."""
        head = nearest_head(self.tokens, self.heads + self.clones, item, lambda h: h.thing != "other", self.post_style)
        if head is not None and item.has("soft"):
            head.soft = True
        self.unplaced_soft |= head is None and item.has("soft")

    def _only_approval(self, head: Head, item: Item) -> bool:
        """ "lovely steady flame" approves of the flame; of its height only where nothing else is said of it."""
        text = " ".join(word(self.tokens, k) for k in range(item.start, item.end))
        if head.thing != "flame" or item.states("word").get("flame-height") != "right" or text in _OF_HEIGHT:
            return False
        moved = any("flame-motion" in other.own or "flame-motion" in other.states for other in self.heads)
        moving = any(i is not item and "flame-motion" in i.states("word") for i in self.clause.items)
        return moved or moving or any(i.measure is not None and i.measure.unit in LENGTHS for i in self.clause.items)

    def _names_dimension(self, item: Item) -> bool:
        """ "an inch high", "8 mm deep": the word only says what was measured."""
        measured = any(
            other.measure is not None and other.measure.unit != "1" and other.end == item.start
            for other in self.clause.items
        )
        return measured and word(self.tokens, item.start) in (
            "high",
            "tall",
            "deep",
            "wide",
            "thick",
            "long",
            "low",
            "across",
            "off",
        )

    def _stronger(self, quantity: str, old: str, new: str) -> bool:
        """Of two words in one clause the graver counts ("light to moderate", "drifted and bent"); else the first."""
        order = STATES[quantity]
        graded = (quantity in DEGREE_SCALES and "none" not in (old, new)) or quantity == "wick"
        return not graded or order.index(old) >= order.index(new)

    def _find(self, item: Item, fits: Callable[[Head], bool], states: dict[str, str]) -> Head | None:
        """The head in this clause, else the last one before it that fits (cloned if it already says something)."""
        phrase_fit = nearest_head(
            self.tokens,
            self.heads,
            item,
            lambda h: fits(h) or (bool(h.own) and item.has("degree", "soft")),
            self.post_style,
        )
        if phrase_fit is not None:
            return phrase_fit
        if any(head.thing != "other" and (head.presence or head.own) for head in self.heads):
            return None
        if any(head.thing not in _PLACE_THINGS for head in self.heads if head.thing):
            return None
        earlier = next((h for h in reversed(self.before) if fits(h) and not h.own), None)
        if earlier is None:
            earlier = next((h for h in reversed(self.before[-2:]) if fits(h)), None)
        if earlier is None:
            return None
        return self._another(earlier, item) if self._needs_new(earlier, states) else earlier

    def _needs_new(self, earlier: Head, states: dict[str, str]) -> bool:
        if not self.same_sentence or (self.shifted and earlier.presence is not None):
            return True
        return bool(
            earlier.own
            or earlier.negated
            or earlier.dropped
            or earlier.compared
            or any(q in earlier.states for q in states)
        )

    def _another(self, earlier: Head, item: Item) -> Head:
        """A fresh head that goes on about what an earlier one named."""
        known = next((c for c in self.clones if c.quantities == earlier.quantities and c.thing == earlier.thing), None)
        if known is not None:
            return known
        clone = Head(Item(item.start, item.end, earlier.item.senses), earlier.quantities, self.clause,
                     presence=earlier.presence, thing=earlier.thing, parts=list(earlier.parts[:1]) if earlier.presence else [])  # fmt: skip
        self.clones.append(clone)
        return clone

    # -- numbers -----------------------------------------------------------------------------------------------------------

    def _attach_measure(self, item: Item) -> None:
        measure = item.measure
        assert measure is not None
        if self._before_comparative(item) or measure.unit in ("g", "other", "s") or self._is_tolerance(item):
            return
        if measure.unit == "min":
            self._attach_time(item, measure)
            return
        if measure.unit is None and self._plain_zero(item, measure):
            return
        found = self._measured(item, measure)
        if found is None:
            return
        quantity, head = found
        source = next((h for h in reversed(self.before[-2:]) if any(q == quantity for q, _ in h.measures)), None)
        if source is not None and self.same_sentence and self._second_thought(source, quantity, measure):
            self.clones = [clone for clone in self.clones if clone is not head]
            return
        if any(q == quantity for q, _ in head.measures):
            head = self._another(head, item)
        head.measures.append((quantity, measure))
        head.measured_in[measure.start] = self.clause
        head.used.append((item.start, item.end))
        head.loose |= self._is_loose(item)

    def _is_tolerance(self, item: Item) -> bool:
        """ "give or take five", "plus or minus 2 mm"."""
        before = " ".join(word(self.tokens, k) for k in range(max(item.start - 3, 0), item.start))
        return before.endswith(("give or take", "plus or minus", "+ / -", "+/-", "±", "plus minus"))

    def _second_thought(self, head: Head, quantity: str, measure: Measure) -> bool:
        """ "11 mm, maybe 12": not two numbers but a range, given by its midpoint."""
        first = next((m for q, m in head.measures if q == quantity), None)
        unsure = any(
            o.has("hedges") and o.end == measure.start for o in self.clause.overlays
        ) or self.clause.opened_by in ("or", "possibly")
        if (
            first is None
            or self.heads
            or not unsure
            or measure.unit not in (None, first.unit)
            or not 0.6 <= measure.value / max(first.value, 1e-9) <= 1.6
        ):
            return False
        middle = replace(
            first, value=(first.value + measure.value) / 2, half_range=abs(first.value - measure.value) / 2
        )
        head.measures = [(q, middle if m is first else m) for q, m in head.measures]
        head.used.append((measure.start, measure.end))
        head.hedged = True
        return True

    def _plain_zero(self, item: Item, measure: Measure) -> bool:
        """ "soot 0", "HT 4": a grade, not a length."""
        head = nearest_head(
            self.tokens, self.heads, item, lambda h: h.presence is not None or h.thing == "throw", self.post_style
        )
        if head is None or item.start - head.item.end > 2 or item.start < head.item.end or measure.value > 5:
            return False
        if any(other.has("word", "degree") and other.start == item.end for other in self.clause.items):
            return False
        states = _mark_states(measure.value / 5)
        quantity = head.presence or "hot-throw"
        if head.presence and measure.value != 0:
            return False
        head.states[quantity] = (states[quantity], item)
        head.used.append((item.start, item.end))
        return True

    def _is_loose(self, item: Item) -> bool:
        near = [
            o
            for o in self.clause.overlays
            if o.has("approx", "hedges")
            and (
                item.start <= o.start < item.end
                or 0 <= item.start - o.end <= 1
                or (
                    0 <= o.start - item.end <= 1
                    and word(self.tokens, o.start) in ("or", "ish", "give", "more", "maybe", "i", "perhaps", "probably")
                )
            )
        ]
        return bool(near) or any(i.has("nearly") and i.end == item.start for i in self.clause.items)

    def _attach_time(self, item: Item, measure: Measure) -> None:
        """ "full at 3h10" is when the pool became full; the hour of a checkpoint is no value."""
        if self.clause.opened_by in ("until", "till") and self.same_sentence and self._becomes_full(item, measure):
            return
        at_check = any(
            word(self.tokens, k) in ("check", "checkpoint", "reading", "inspection", "mark")
            for k in (item.end, item.end + 1)
        )
        if at_check or "hour" in item.names("skip"):
            if not self._event_before(item) and "by" not in (
                word(self.tokens, item.start - 1),
                word(self.tokens, item.start - 2),
            ):
                return
        head = next((h for h in self.heads if _says_full(h)), None)
        if head is None:
            head = next(
                (h for h in self.before[-1:] if _says_full(h) and self.same_sentence and self._only_time(item)), None
            )
        if head is None and not self.heads and any(o.has("events") for o in self.clause.overlays):
            head = next((h for h in self.before[-1:] if _says_full(h)), None)
            if head is not None and not head.measures:
                head.measures.append(("melt-pool", measure))
                head.heard.append(item.start)
            return
        if (
            head is None
            or head.measures
            or any(
                word(self.tokens, k) in ("looked", "checked", "look", "peeked")
                for k in range(self.clause.start, item.start)
            )
        ):
            return
        if item.start >= head.item.end:
            link = word(self.tokens, item.start - 1)
            near = 8 if link in ("at", "by", "after", "in", "@", "around", "about", "within", "the") else 4
            direct = item.start - head.end <= near and link not in ("for", "every", "last", "first", "next")
            if not direct:
                return
        elif not self._event_before(item):
            return
        head.measures.append(("melt-pool", measure))
        head.used.append((item.start, item.end))
        head.loose |= self._is_loose(item)

    def _becomes_full(self, item: Item, measure: Measure) -> bool:
        """ "not full until 4h" says full at 4 h."""
        head = self.before[-1] if self.before and "melt-pool" in self.before[-1].own else None
        if head is None or self.heads or head.own["melt-pool"] == "none" or head.measures:
            return False
        head.own, head.negated, head.nearly = {"melt-pool": "full"}, False, False
        head.measures.append(("melt-pool", measure))
        head.heard.append(item.start)
        return True

    def _only_time(self, item: Item) -> bool:
        """A clause that holds the time and nothing else ("full melt pool, 2h40")."""
        return not self.heads and self.clause.opened_by in (",", "(", "-") and item.end >= self.clause.end - 1

    def _event_before(self, item: Item) -> bool:
        """Is the pool said to *become* full (reached, took ...)? The reaching words may lie inside the phrase."""
        events = [o for o in self.clause.overlays if o.has("events")]
        reached = any(
            word(self.tokens, k) in ("reached", "hit", "got", "made", "went", "took", "met", "came", "arrived", "gone")
            for h in self.heads
            if h.own
            for k in range(h.item.start, h.item.end)
        )
        to_full = word(self.tokens, item.end) == "to" and any(
            h.own and h.item.start - item.end <= 3 for h in self.heads
        )
        return bool(events) or reached or to_full

    def _measured(self, item: Item, measure: Measure) -> tuple[str, Head] | None:
        """(quantity, head) that a length, temperature, angle or share belongs to."""
        if measure.unit in ("F", "C"):
            return self._temperature(item)
        if measure.unit == "deg":
            return self._angle(item) or self._temperature(item)
        if measure.unit == "1":
            return self._share(item, measure)
        if measure.unit is None and self._bare_temperature(item):
            return self._temperature(item)
        return self._length(item, measure)

    def _bare_temperature(self, item: Item) -> bool:
        """ "glass 52": a temperature whose unit stands elsewhere."""
        head = nearest_head(self.tokens, self.heads, item, lambda h: True, self.post_style)
        return head is not None and head.thing in ("vessel", "temperature", "base") and self._adjacent(head, item)

    def _temperature(self, item: Item) -> tuple[str, Head] | None:
        head = nearest_head(
            self.tokens,
            self.heads,
            item,
            lambda h: "vessel-heat" in h.quantities or h.thing == "other",
            self.post_style,
        )
        if head is None and not any(h.thing for h in self.heads):
            head = next(
                (h for h in reversed(self.before[-2:]) if "vessel-heat" in h.quantities or h.thing == "other"), None
            )
        placed = all(h.thing in _PLACE_THINGS for h in self.heads)
        if head is None and placed and self.heads:
            earlier = next((h for h in reversed(self.before[-2:]) if "vessel-heat" in h.quantities), None)
            head = self._another(earlier, item) if earlier is not None else None
        if head is None and placed and not any(h.thing == "other" for h in self.before[-1:]):
            head = self._fresh(item, ("vessel-heat",), None)
        if head is None or head.thing == "other":
            return None
        return "vessel-heat", head

    def _angle(self, item: Item) -> tuple[str, Head] | None:
        head = nearest_head(
            self.tokens,
            self.heads,
            item,
            lambda h: bool({"wick", "soot"} & set(h.quantities)) and h.thing != "vessel",
            self.post_style,
        )
        if head is None:
            return None
        return ("wick" if "wick" in head.quantities else "soot"), head

    def _share(self, item: Item, measure: Measure) -> tuple[str, Head] | None:
        tail = {word(self.tokens, k) for k in range(item.start, min(item.end + 5, self.clause.end))}
        round_rim = tail & {"rim", "round", "around", "circumference", "perimeter", "wall"}
        if round_rim:
            head = nearest_head(
                self.tokens, self.heads, item, lambda h: h.presence in ("soot", "hang-up"), self.post_style
            )
            if head is not None and head.presence is not None:
                return head.presence, head
        head = self._pool_head(item)
        return ("melt-pool", head) if head is not None else None

    def _pool_head(self, item: Item) -> Head | None:
        head = nearest_head(self.tokens, self.heads, item, lambda h: "melt-pool" in h.quantities, self.post_style)
        if head is not None:
            return head
        if any(h.presence or h.thing in ("flame", "wick", "throw") for h in self.heads):
            return None
        earlier = next((h for h in reversed(self.before) if "melt-pool" in h.quantities), None)
        if earlier is not None and (self.same_sentence and not earlier.measures and not earlier.dropped):
            return earlier
        return self._fresh(item, ("melt-pool",), "pool")

    def _fresh(self, item: Item, quantities: tuple[str, ...], thing: str | None) -> Head:
        head = Head(Item(item.start, item.end), quantities, self.clause, thing=thing)
        self.clones.append(head)
        return head

    def _length(self, item: Item, measure: Measure) -> tuple[str, Head] | None:
        named = self._dimension(item)
        if named == "other":
            return None
        if named:
            head = nearest_head(
                self.tokens,
                self.heads,
                item,
                lambda h: named in h.quantities or (named == "wick" and h.thing == "wick"),
                self.post_style,
            )
            head = head or next(
                (h for h in reversed(self.before) if named in h.quantities and self.same_sentence and not h.dropped),
                None,
            )
            if head is None and measure.unit is None and named not in ("pool-depth", "melt-pool"):
                return None
            return named, head or self._fresh(item, (named,), None)
        head = nearest_head(self.tokens, self.heads, item, _bears_length, self.post_style)
        if head is None and not self.heads:
            head = next((h for h in reversed(self.before[-3:]) if _bears_length(h)), None)
            if head is not None and (not self.same_sentence or head.measures or head.dropped):
                head = self._another(head, item)
        if head is None or head.thing == "other":
            return None
        if measure.unit is None and not self._adjacent(head, item):
            return None
        return _length_quantity(head, measure), head

    def _adjacent(self, head: Head, item: Item) -> bool:
        gap = item.start - head.item.end if item.start >= head.item.end else head.item.start - item.end
        between = {word(self.tokens, k) for k in range(min(head.item.end, item.end), max(head.item.start, item.start))}
        return (
            (gap <= 3
            and between
            <= {
                "is",
                "was",
                "at",
                "about",
                "=",
                ":",
                "approx",
                "around",
                "~",
                "now",
                "roughly",
                "say",
                "maybe",
                "to",
                "up",
                "a",
                "then",
                ",",
                "just",
                "under",
                "over",
                "nearly",
                "almost",
                "only",
                "of",
                "still",
                "measured",
                "measures",
                "reads",
                "got",
                "did",
                "from",
                "grew",
                "grown",
                "went",
                "gone",
                "rose",
                "shrank",
                "dropped",
                "fell",
                "crept",
                "climbed",
                "has",
                "increased",
            })
            or head.item.start == item.start
        )

    def _dimension(self, item: Item) -> str | None:
        """The quantity named by the words round a length: "deep", "across", "from the wall" ..."""
        after = [word(self.tokens, k) for k in range(item.end, min(item.end + 6, self.clause.end))]
        before = [word(self.tokens, k) for k in range(max(item.start - 4, self.clause.start), item.start)]
        wick_here = any(h.thing == "wick" or h.own.keys() == {"wick"} for h in self.heads or self.before[-1:])
        text = " ".join(after)
        if (
            (after[:1]
            and after[0] in ("deep", "depth"))
            or after[:3] == ["in", "depth", ""]
            or text.startswith("of depth")
            or text.startswith("melt depth")
            or text.startswith("pool depth")
        ):
            return (
                "tunnelling"
                if any(h.presence == "tunnelling" for h in self.heads or self.before[-1:])
                else "pool-depth"
            )
        if (
            after[:1] == ["off"]
            and not wick_here
            and after[1:2] not in (["centre"], ["center"])
            and any("melt-pool" in h.quantities for h in [*self.before[-1:], *self.heads])
        ):
            return "hang-up"
        if (
            (after[:1]
            and after[0] in ("wide", "across", "diameter", "dia", "diam", "width", "ø", "round"))
            or text.startswith("in diameter")
        ):
            return self._width_of(item)
        if after[:1] and after[0] in ("tall", "high", "height", "flame"):
            return "other" if any(h.thing == "other" for h in self.heads) else "flame-height"
        if text.startswith(
            (
                "off centre",
                "off center",
                "from centre",
                "from center",
                "from the centre",
                "from the center",
                "out of centre",
                "off to",
                "off the centre",
                "from the middle",
                "off axis",
                "left of",
                "right of",
                "to the left",
                "to the right",
                "to one side",
                "towards",
                "off",
            )
        ) and (wick_here or text.startswith(("off c", "from c", "from the c", "off axis"))):
            return "wick"
        if not wick_here and (
            _from_edge(text)
            or text.startswith(
                (
                    "hang",
                    "ring",
                    "of hang",
                    "collar",
                    "of wax",
                    "of hard wax",
                    "of solid wax",
                    "of unmelted",
                    "unmelted",
                    "wax left",
                    "hard wax",
                    "of cold wax",
                    "ledge",
                    "shelf",
                    "rim of wax",
                    "band of wax",
                    "thick ring",
                    "of it left on",
                )
            )
        ):
            return "hang-up"
        if wick_here and _from_edge(text):
            return "other"
        if before[-1:] == ["within"] and after[:1] == ["of"] and any(w in _EDGE_WORDS for w in after[1:4]):
            return "other" if wick_here else "hang-up"
        short_of_edge = any(i.has("negations") for i in self.clause.items) and any(
            "melt-pool" in h.own and word(self.tokens, h.item.end - 1) in _EDGE_WORDS for h in self.heads
        )
        if "by" in before[-3:] and short_of_edge:
            return "hang-up"
        if (
            (before
            and before[-1] in ("depth", "deep"))
            or before[-2:] in (["depth", "of"], ["depth", "about"], ["depth", "is"], ["depth", ":"], ["depth", "was"])
        ):
            return "pool-depth"
        if (
            (before
            and before[-1] in ("dia", "diam", "diameter", "width", "ø", "across", "wide"))
            or (before[-2:-1]
            and before[-2] in ("diameter", "width", "across"))
        ):
            return "melt-pool"
        return None

    def _width_of(self, item: Item) -> str:
        """ "3 mm across" is the pool's width unless said of a carbon ball or a ring of wax."""
        head = nearest_head(
            self.tokens,
            self.heads,
            item,
            lambda h: (
                h.presence in ("carbon-ball", "hang-up", "soot", "tunnelling")
                or h.thing == "pool"
                or "melt-pool" in h.own
                or h.thing == "flame"
            ),
            self.post_style,
        )
        if head is None:
            head = next(
                (h for h in reversed(self.before[-1:]) if h.presence in ("carbon-ball", "hang-up", "soot")), None
            )
        if head is not None and head.thing == "flame":
            return "other"
        return head.presence if head is not None and head.presence else "melt-pool"

    # -- denial ------------------------------------------------------------------------------------------------------------

    def _attach_denials(self) -> None:
        claimed = {id(item) for item in self.clause.items if item.has("phrase", "presence", "thing")}
        if self.takes_back:
            return
        self._deny_bare()
        for item in self.clause.items:
            if id(item) in claimed or not item.has("negations", "after"):
                continue
            graded = any(
                state_item is item for head in [*self.heads, *self.clones] for _, state_item in head.states.values()
            )
            if self._before_comparative(item) or (graded and item.has("after")):
                continue
            self._deny(item)
        for item in self.clause.items:
            if item.has("unknown"):
                asked = next(
                    (
                        h
                        for h in reversed([*self.before[-1:], *self.heads])
                        if h.item.end <= item.start and not h.settled and not h.measures
                    ),
                    None,
                )
                if asked is not None:
                    asked.dropped = "not-understood"
            if item.has("affirmations"):
                head = next(
                    (h for h in reversed([*self.before[-1:], *self.heads]) if h.presence and h.item.end <= item.start),
                    None,
                )
                if head is not None:
                    head.affirmed = True

    def _interjected(self, words: tuple[str, ...]) -> bool:
        """A "no" alone between pauses ("8 mm, no, 6 mm") takes back; after a bare "soot:" or "soot -" it answers."""
        clause, last = self.clause, self.before[-1] if self.before else None
        alone = clause.end - clause.start == 1 and word(self.tokens, clause.start) in words
        asked = last is None or not (last.settled or last.measures or last.directions)
        return (
            alone and not asked and clause.closed_by in (",", "-", "—") and clause.opened_by in ("", ",", "-", "—", "(")
        )

    def _deny_bare(self) -> None:
        """ "I thought it was tunnelling but it isn't": a clause that only denies denies what was last spoken of."""
        words = [word(self.tokens, k) for k in range(self.clause.start, self.clause.end)]
        bare = not self.heads and self.same_sentence and self.clause.opened_by == "but" and len(words) <= 3
        last = self.before[-1] if self.before else None
        if (
            bare
            and last is not None
            and (last.presence or last.own)
            and words[-1] in ("isn't", "wasn't", "not", "isnt", "no", "didn't", "doesn't")
        ):
            clone = self._another(last, Item(self.clause.start, self.clause.end))
            clone.negated = True
            clone.own = dict(last.own)
            clone.quantities = last.quantities

    def _deny(self, item: Item) -> None:
        target = self._denied(item) if item.has("negations") else None
        if target is None and item.has("after") and self._answers(item):
            target = next(
                (
                    h
                    for h in reversed([*self.before[-1:], *self.heads])
                    if h.item.end <= item.start and (h.presence or h.thing in ("pool", "throw"))
                ),
                None,
            )
            if target is not None and target.settled:
                return
        if target is None:
            return
        target.negated = True
        target.used.append((item.start, item.end))

    def _answers(self, item: Item) -> bool:
        """Does "no", "nil", "0" stand at the end, as an answer?"""
        nothing_after = not any(
            other.start >= item.end and (other.has("presence", "phrase", "thing", "word"))
            for other in self.clause.items
        )
        return nothing_after

    def _denied(self, item: Item) -> Head | None:
        """The head that a denial before it reaches: the next one, or the one whose degree comes next."""
        for other in self.clause.items:
            if other.start < item.end or other.start - item.end > NEGATION_REACH:
                continue
            for head in self.heads + self.clones + self.before[-1:]:
                if any(state_item is other for _, state_item in head.states.values()):
                    quantity = _state_key(head, other)
                    head.denied_words.add(quantity)
                    head.used.append((item.start, item.end))
                    return next(
                        (h for h in self.heads if quantity in h.own and 0 <= h.item.start - other.end <= 2), None
                    )
            owner = next((head for head in self.heads if head.item is other), None)
            if owner is None:
                continue
            if owner.presence or owner.own:
                return owner
            if owner.thing in self.lexicon.thing_negated and other.start - item.end <= 1:
                return owner
        return None

    # -- nearly, lists, overlays -------------------------------------------------------------------------------------------

    def _attach_nearly(self) -> None:
        for item in self.clause.items:
            if not item.has("nearly"):
                continue
            head = next((h for h in self.heads if (h.own or h.states) and 0 <= h.item.start - item.end <= 3), None)
            if head is None and item.start > self.clause.start:
                head = next(
                    (h for h in self.heads if h.own.get("melt-pool") == "full" and h.item.end == item.start), None
                )
            if (
                head is None
                and not self.heads
                and self.clause.end - item.end <= 1
                and self.before
                and _says_full(self.before[-1])
            ):
                head = self._fresh(item, ("melt-pool",), None)
                head.own = {"melt-pool": "full"}
            if head is None:
                head = next(
                    (
                        h
                        for h in self.heads
                        if any(state == "none" and 0 <= i.start - item.end <= 1 for state, i in h.states.values())
                    ),
                    None,
                )
            if head is not None:
                head.nearly = True
                head.hedged |= "melt-pool" not in head.own and "melt-pool" not in head.states
                head.negated = head.negated and not item.has("negations")
                head.used.append((item.start, item.end))

    def _share_lists(self) -> None:
        """ "no soot, smoke or hang-up", "soot/smoke: none", "slight soot and smoke"."""
        by_item = {id(head.item): head for head in self.heads}
        presences = [head.item for head in self.heads if head.presence]
        for group in list_groups(self.tokens, presences):
            members = [by_item[id(item)] for item in group]
            source = members[0] if members[0].settled else members[-1]
            if not source.settled or sum(member.settled for member in members) != 1:
                continue
            degree = next(iter(source.states.values()), None)
            for member in members:
                if member is source:
                    continue
                if source.negated:
                    member.negated = True
                elif degree is not None:
                    states = word_states(degree[1])
                    if member.presence in states:
                        member.states[member.presence] = (states[member.presence], degree[1])

    def _attach_overlays(self) -> None:
        bearers = [h for h in self.heads + self.clones + self.reached if h.thing != "other"]
        for overlay in self.clause.overlays:
            if overlay.has("hedges"):
                self._hedge(overlay, bearers)
            if overlay.has("negating_hedges"):
                self._doubt(overlay, bearers)
            if overlay.has("approx"):
                for head in bearers:
                    for _, measure in head.measures:
                        trailing = word(self.tokens, overlay.start) in ("or", "ish", "give", "more")
                        if 0 <= measure.start - overlay.end <= 1 or (
                            trailing and 0 <= overlay.start - measure.end <= 1
                        ):
                            head.hedged = head.loose = True
            if overlay.has("parts", "directions"):
                self._place(overlay, bearers)
        for head in self.heads:
            following = [word(self.tokens, k) for k in range(head.item.end, min(head.item.end + 5, self.clause.end))]
            head.remainder = any(
                other.presence == head.presence and other.item.start > head.item.start for other in self.heads
            )
            head.until = self.clause.opened_by in ("until", "till")
            head.excepted = any(w in ("except", "apart", "bar", "save", "excluding", "within") for w in following)
            head.at_edge = bool(head.own) and word(self.tokens, head.item.end - 1) in _EDGE_WORDS
            head.soft |= bool(head.own) and word(self.tokens, head.item.start) in (
                "barely",
                "hardly",
                "scarcely",
                "faint",
                "faintest",
            )
            head.soft |= "hot-throw" in head.own and "just" in [
                word(self.tokens, k) for k in range(head.item.start - 1, head.item.end)
            ]
        if self.clause.closed_by == "?":
            for head in bearers:
                head.hedged = True
        for token_index in range(self.clause.start, self.clause.end):
            if word(self.tokens, token_index).endswith("ish") and len(word(self.tokens, token_index)) > 4:
                self._hedge(Item(token_index, token_index + 1), bearers)
        for item in self.clause.items:
            for place in item.names("directions"):
                self._put(item, bearers, [], [place])

    def _is_shifted(self) -> bool:
        """Is the clause about a later moment than the one before ("then", "now", "at 2h", "by the end")?"""
        timed = [
            i
            for i in self.clause.items
            if (i.measure is not None and i.measure.unit == "min") or {"hour", "clock"} & set(i.names("skip"))
        ]
        words = [word(self.tokens, k) for k in range(self.clause.start, self.clause.end)]
        later = {"then", "later", "now", "afterwards", "eventually", "since", "finally", "after", "until", "till"} & {
            *words,
            self.clause.opened_by,
        }
        return bool(timed or later or "by" in words[:3])

    def _mark_shifts(self) -> None:
        for head in self.heads + self.clones:
            head.shifted = self.shifted

    def _claiming(self, heads: Sequence[Head]) -> list[Head]:
        return [h for h in heads if h.own or h.presence or h.states or h.measures or h.negated]

    def _hedge(self, overlay: Item, bearers: Sequence[Head]) -> None:
        claiming = self._claiming(bearers)
        following = [h for h in claiming if h.start >= overlay.start or h.end > overlay.end]
        if following:
            min(following, key=lambda h: max(h.start - overlay.end, 0)).hedged = True
        elif claiming:
            claiming[-1].hedged = True
        elif self.before and self.same_sentence and not self.heads:
            self.before[-1].hedged = True

    def _doubt(self, overlay: Item, bearers: Sequence[Head]) -> None:
        """ "don't think there's any soot" denies as well as hedges."""
        target = next((h for h in bearers if h.item.start >= overlay.end and (h.presence or h.own)), None)
        if target is not None and not target.negated:
            target.negated = True

    def _place(self, overlay: Item, bearers: Sequence[Head]) -> None:
        self._put(overlay, bearers, overlay.names("parts")[:1], overlay.names("directions")[:1])

    def _repeated(self, last: Head, overlay: Item) -> Head:
        """The same said again of another place ("soot on the left, I mean the right")."""
        clone = self._another(last, overlay)
        clone.own, clone.states, clone.negated, clone.directions = dict(last.own), dict(last.states), last.negated, []
        return clone

    @staticmethod
    def _place_cost(head: Head, overlay: Item, opening: bool) -> float:
        """Places follow what they place ("soot on the left"), unless they open the clause ("left side sooty")."""
        ahead = head.item.start >= overlay.end
        gap = head.item.start - overlay.end if ahead else max(overlay.start - head.item.end, 0)
        return gap + (10 if ahead and not opening else 0)

    def _put(self, overlay: Item, bearers: Sequence[Head], parts: list[str], directions: list[str]) -> None:
        if parts == ["wick"] and any(
            i.start <= overlay.start and overlay.end <= i.end and i.has("presence", "phrase") for i in self.clause.items
        ):
            return
        parts = [
            p
            for p in parts
            if p not in ("glass", "jar", "wall")
            or not any("vessel-heat" in {*h.own, *h.states, *(q for q, _ in h.measures)} for h in bearers)
        ]
        if not parts and not directions:
            return
        able = [h for h in self._claiming(bearers) if _takes_place(h, parts)]
        if not able and not self.heads and self.before and any(i.has("amend", "withdraw") for i in self.clause.items):
            able = [self._repeated(self.before[-1], overlay)]
        if not able and all(h.thing in (*_PLACE_THINGS, "other") for h in self.heads):
            able = [h for h in self._claiming(self.before[-1:]) if _takes_place(h, parts)]
        if not able:
            return
        opening = overlay.start <= self.clause.start + 2
        head = min(able, key=lambda h: self._place_cost(h, overlay, opening))
        head.parts += [
            p
            for p in parts
            if p not in head.parts
            and not (p == "wick" and {"wick", "carbon-ball"} & {*head.own, *head.states, head.presence})
        ]
        head.heard.append(overlay.start)
        head.directions += [d for d in directions if d not in head.directions]


def _says_full(head: Head) -> bool:
    return "full" in head.own.values() or head.states.get("melt-pool", ("",))[0] == "full"


def _state_key(head: Head, item: Item) -> str:
    return next(q for q, (_, state_item) in head.states.items() if state_item is item)


def _bears_length(head: Head) -> bool:
    if head.thing in ("throw", "rim", "temperature", "flame-motion", "vessel", "base", "wick"):
        return False
    return bool(
        head.presence
        or head.thing
        or set(head.own) & {"melt-pool", "pool-depth", "flame-height", "wick", "carbon-ball", "hang-up"}
    ) and (not (head.own and set(head.own) <= {"flame-motion", "hot-throw", "vessel-heat", "debris", "smoke"}))


def _length_quantity(head: Head, measure: Measure) -> str:
    if head.presence:
        return head.presence
    quantity = next(iter(head.own), None) or head.quantities[0]
    if head.thing == "pool" and measure.unit in SMALL_POOL and measure.value <= SMALL_POOL[measure.unit]:
        return "pool-depth"
    if (
        quantity == "melt-pool"
        and head.own
        and measure.unit in SMALL_POOL
        and measure.value <= SMALL_POOL[measure.unit]
    ):
        return "pool-depth"
    return quantity


_EDGE_WORDS = {
    "edge",
    "edges",
    "wall",
    "walls",
    "glass",
    "side",
    "sides",
    "rim",
    "jar",
    "vessel",
    "container",
    "tin",
    "being",
    "full",
}
_SHORT_OF = {"from", "short", "off", "shy", "away", "to", "gap", "between", "left"}


def _from_edge(text: str) -> bool:
    """ "5 mm short of the glass", "4 mm to go to the wall", "3 mm off the edge"."""
    words = text.split()
    if not words or words[0] not in _SHORT_OF:
        return False
    if words[0] in ("gap", "shy", "short") or (words[0] == "left" and words[1:2] not in (["of"], ["side"], ["and"])):
        return True
    if words[:2] == ["to", "go"] or words[:3] == ["left", "to", "go"]:
        return True
    return any(w in _EDGE_WORDS for w in words[1:5])


def _takes_place(head: Head, parts: list[str]) -> bool:
    if head.own.get("wick") == "adrift" or "adrift" in [state for state, _ in head.states.values()]:
        return True
    quantities = set(head.own) or (
        {head.presence} if head.presence else set(head.states) | {q for q, _ in head.measures}
    )
    if quantities <= {"hot-throw", "flame-height", "pool-depth"}:
        return False
    return not (parts and quantities <= {"melt-pool", "wick", "flame-motion", "carbon-ball"})


def _mark_states(share: float) -> dict[str, str]:
    """A mark as a state: 0 none, up to two fifths slight, three fifths moderate, above that heavy. Ours."""
    degree = 0 if share == 0 else 1 if share <= 0.4 else 2 if share <= 0.6 else 3
    return {quantity: scale[degree] for quantity, scale in DEGREE_SCALES.items()}


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
    drafts = []
    for quantity in quantities:
        state = states.get(quantity)
        said = [
            m for q, m in head.measures if q == quantity and m.unit is not None and (m.unit != "min" or state == "full")
        ]
        measures = said or [None]
        if state is None and measures == [None] and not head.presence:
            continue
        drafts += [_draft(head, quantity, state, measure, sentence) for measure in measures]
    return drafts


def _draft(head: Head, quantity: str, state: str | None, measure: Measure | None, sentence: int) -> Draft:
    if measure is not None and quantity == "melt-pool" and measure.unit == "1" and measure.value >= 0.995:
        state = state or "full"
    start, end = _range_of(head, quantity, measure)
    clause = (
        head.clause if measure is None or start != measure.start else head.measured_in.get(measure.start, head.clause)
    )
    return Draft(
        quantity, state, start, end, measure, head.loose, tuple(head.parts), tuple(head.directions),
        head.hedged or head.soft or head.loose, head.candle, quoted=head.quoted, shifted=head.shifted, said=_said_at(head, quantity, measure), sentence=sentence, clause=clause,
    )  # fmt: skip


def _said_at(head: Head, quantity: str, measure: Measure | None) -> int:
    """The token at which a claim is made: claims are listed in the order said."""
    if head.own or head.presence:
        return head.item.start
    if quantity in head.states:
        return head.states[quantity][1].start
    return measure.start if measure is not None else head.item.start


def _range_of(head: Head, quantity: str, measure: Measure | None) -> tuple[int, int]:
    """The tokens that make one claim of a head; a number said in a later clause about a thing stands by itself there."""
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
    if head.nearly and state == "none" and quantity in DEGREE_SCALES:
        return {quantity: DEGREE_SCALES[quantity][1]}
    if head.conditional and (quantity, state) in (("flame-motion", "flickering"), ("flame-motion", "dancing")):
        return {quantity: "steady"}
    if (quantity, state) == ("melt-pool", "full"):
        if head.nearly or head.excepted:
            return {quantity: "nearly-full"}
        if head.at_edge and set(head.directions) - {"all round", "both sides", "left and right"}:
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
    if measure.step in (0.25, 0.125, 0.0625) or (measure.step == 0.5 and measure.value % 1 == 0.5):
        return replace(measure, unit="in")
    return measure
