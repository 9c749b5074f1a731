"""Degrees and states: which thing "slight", "tall" or "drifting" was said of."""

from __future__ import annotations

from collections.abc import Callable

from pooleye.audit.claims import STATES
from pooleye.audit.context import ClauseContext
from pooleye.audit.heads import EDGE_WORDS, PLACE_THINGS, Head, mark_states, nearest_head, word_states
from pooleye.audit.lexicon import DEGREE_SCALES
from pooleye.audit.numbers import LENGTHS
from pooleye.audit.scanning import Item, word

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


_APPROVAL = ("nice", "lovely", "good", "great", "pleasant", "beautiful", "gorgeous")


class WordReader(ClauseContext):
    """Gives each degree and state word of the clause to the head it was said of."""

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

    def _drop_misfits(self) -> None:
        """ "flame leaning", "pool off-centre", "flame near the glass" say nothing of the wick or of the pool."""
        for head in self.heads:
            things = [h for h in self.heads if h.thing and h.item.start < head.item.start] or [
                h for h in self.before[-1:] if not head.thing and self._goes_on()
            ]
            things = [h for h in things if h.thing or "wick" in h.quantities]
            if (
                head.thing
                and self.clause.opened_by in ("when", "whenever", "each", "every")
                and self.before
                and self.same_sentence
            ):
                head.dropped = "plan"
            if self._near_a_rim(head):
                head.dropped = "not-understood"
                continue
            if self._short_of_by_number(head):
                head.own, head.quantities, head.thing = {}, (), "place"
                continue
            named = any(word(self.tokens, k) in ("wick", "wicks") for k in range(head.item.start, head.item.end))
            if not head.own or not things or named:
                continue
            quantity, thing = next(iter(head.own)), things[-1].thing or "wick"
            ends_at_edge = word(self.tokens, head.item.end - 1) in EDGE_WORDS and head.item.end - head.item.start > 1
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

    def _near_a_rim(self, head: Head) -> bool:
        """ "jar hot near the rim", "soot near the edge" say where something else is, nothing of the pool."""
        where = head.own.get("melt-pool") == "nearly-full" and word(self.tokens, head.item.start) in ("near", "close")
        others = [h for h in self.heads if h.item.start < head.item.start]
        return where and any(h.presence or h.thing in ("vessel", "flame", "wick", "rim", "temperature") for h in others)

    def _short_of_by_number(self, head: Head) -> bool:
        """ "4 mm short of the glass": the number says it; "short of the glass" is then no claim of its own."""
        measured = any(
            i.measure is not None and i.measure.unit in LENGTHS and i.end == head.item.start for i in self.clause.items
        )
        return (
            measured
            and head.own.get("melt-pool") == "partial"
            and word(self.tokens, head.item.start) in ("short", "from", "off")
        )

    def _goes_on(self) -> bool:
        """Does the clause go on about the last thing ("it's against the glass", "and touching the side")?"""
        words = [word(self.tokens, k) for k in range(self.clause.start, self.clause.start + 2)]
        return bool({"it", "it's", "its", "now", "almost", "nearly"} & set(words)) or (
            self.same_sentence and self.clause.opened_by in ("and", "&")
        )

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

    def _attach_word(self, item: Item) -> None:
        if self._before_comparative(item) or self._names_dimension(item) or self._simile(item):
            return
        if self._came_to(item) or self._opens_change(item):
            return
        if self._grades_next_word(item):
            self.softened.add(item.end) if item.has("soft") else None
            return
        mark = item.of("mark")
        states = mark_states(float(mark)) if mark else word_states(item)
        own = item.states("word")
        head = self._find(
            item, lambda h: any(q in (own if h.thing not in (None, "throw") else states) for q in h.quantities), states
        )
        if head is None:
            self._soften_nearest(item)
            return
        if not self.same_sentence and head not in self.heads and word(self.tokens, item.start) == "off":
            return  # "had to pour off some wax"
        if self._only_approval(head, item) or self._debris_moves(head, item) or self._names_colour(head, item):
            return
        if head.own:
            head.soft |= item.has("soft")
            head.negated |= "none" in item.names("degree")
            head.used.append((item.start, item.end))
            return
        quantity = next(q for q in head.quantities if q in states)
        if (quantity, states[quantity]) == ("pool-depth", "right") and head.thing == "pool":
            return  # "perfect melt pool" praises the pool, not its depth
        before = head.states[quantity][0] if quantity in head.states else None
        praised = head.states[quantity][1] if before is not None else item
        if quantity == "hot-throw" and item.start == praised.end and word(self.tokens, praised.start) in _APPROVAL:
            before = None  # "nice light scent" is light
        if before not in (None, states[quantity]) and self._changed_to(praised, item):
            later = self._another(head, item)
            later.states[quantity] = (states[quantity], item)
            return
        if before not in (None, states[quantity]) and self._stronger(quantity, str(before), states[quantity]):
            return
        head.states[quantity] = (states[quantity], item)
        head.soft |= item.has("soft") or item.start in self.softened
        head.used.append((item.start, item.end))
        if head not in self.heads and head not in self.clones:
            self.reached.append(head)

    def _came_to(self, item: Item) -> bool:
        """ "settled to 20 mm" says what the number became, not that the flame is steady."""
        number = any(o.measure is not None and 0 <= o.start - item.end - 1 <= 1 for o in self.clause.items)
        return number and word(self.tokens, item.start) == "settled" and word(self.tokens, item.end) in ("to", "at")

    def _opens_change(self, item: Item) -> bool:
        """ "gone from steady to flickery" denies nothing; "gone from the room" does."""
        state = any(o.start == item.end + 1 and o.has("word", "phrase", "degree") for o in self.clause.items)
        return state and word(self.tokens, item.end) == "from"

    def _changed_to(self, first: Item, second: Item) -> bool:
        """ "went from slight to heavy" is a change over time: two claims."""
        between = [word(self.tokens, k) for k in range(first.end, second.start)]
        return word(self.tokens, first.start - 1) == "from" and "to" in between and len(between) <= 3

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

    def _names_colour(self, head: Head, item: Item) -> bool:
        """ "black soot" is soot, no more of it than any other."""
        return head.presence == "soot" and word(self.tokens, item.start) == "black" and item.end == head.item.start

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
        answered = self._answered_head(item, fits)
        if answered is not None:
            return answered
        phrase_fit = nearest_head(
            self.tokens,
            self.heads,
            item,
            lambda h: fits(h) or (bool(h.own) and item.has("degree", "soft")),
            self.post_style,
        )
        if phrase_fit is not None:
            named = next(
                (h for h in self.heads if phrase_fit.own and fits(h) and h.item.start == phrase_fit.item.end), None
            )
            return named or phrase_fit  # "big dancing flame": big is the flame
        if any(head.thing != "other" and (head.presence or head.own) for head in self.heads):
            return None
        if any(head.thing not in PLACE_THINGS for head in self.heads if head.thing):
            return None
        earlier = next((h for h in reversed(self.before) if fits(h) and not h.own), None)
        if earlier is None:
            earlier = next((h for h in reversed(self.before[-2:]) if fits(h)), None)
        if earlier is None:
            return None
        return self._another(earlier, item) if self._needs_new(earlier, states) else earlier

    def _answered_head(self, item: Item, fits: Callable[[Head], bool]) -> Head | None:
        """ "smoke none soot slight": "none" answers what stands right before it, never what follows."""
        if word(self.tokens, item.start) not in ("none", "nil", "nada", "zilch", "nowt"):
            return None
        last = next((h for h in reversed(self.heads) if h.item.end <= item.start), None)
        near = last is not None and item.start - last.item.end <= 2 and fits(last)
        return last if near and last is not None and not (last.states or last.own) else None

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
