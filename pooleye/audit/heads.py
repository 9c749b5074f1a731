"""What a clause speaks of (its heads), and how near a word stands to each."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from pooleye.audit.clauses import Clause
from pooleye.audit.lexicon import DEGREE_SCALES, DEGREES, Lexicon
from pooleye.audit.numbers import LENGTHS, Measure
from pooleye.audit.scanning import Item, word
from pooleye.audit.tokens import Token

PLACE_THINGS = ("vessel", "rim", "base")
"""Things that also say where: a clause with only these may go on about what was said before."""

EDGE_WORDS = {
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


@dataclass(eq=False)
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
    excepted: bool = False
    until: bool = False
    remainder: bool = False
    shifted: bool = False

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


def mark_states(share: float) -> dict[str, str]:
    """A mark as a state: 0 none, up to two fifths slight, three fifths moderate, above that heavy. Ours."""
    degree = 0 if share == 0 else 1 if share <= 0.4 else 2 if share <= 0.6 else 3
    return {quantity: scale[degree] for quantity, scale in DEGREE_SCALES.items()}


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


def post_style(clause: Clause, heads: Sequence[Head]) -> bool:
    """Does the speaker name things first ("soot slight, flame tall") rather than last ("slight soot, tall flame")?"""
    modifiers = [
        item.start
        for item in clause.items
        if item.has("word", "degree") and not item.has("presence", "phrase", "thing")
    ]
    named = [head.item.start for head in heads if head.thing or head.presence]
    return bool(named and modifiers and named[0] < modifiers[0])


def is_modifier(item: Item) -> bool:
    return item.has("word", "degree", "mark", "soft") and item.measure is None


def says_full(head: Head) -> bool:
    return "full" in head.own.values() or head.states.get("melt-pool", ("",))[0] == "full"


def state_key(head: Head, item: Item) -> str:
    return next(q for q, (_, state_item) in head.states.items() if state_item is item)
