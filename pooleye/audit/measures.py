"""Numbers: which quantity a length, temperature, angle, share or time was said of."""

from __future__ import annotations

from dataclasses import replace

from pooleye.audit.heads import EDGE_WORDS, PLACE_THINGS, Head, mark_states, nearest_head, says_full
from pooleye.audit.numbers import Measure
from pooleye.audit.scanning import Item, word
from pooleye.audit.words import WordReader

SMALL_POOL = {"mm": 13.0, "cm": 1.3, "in": 0.5}
"""A bare number of a pool up to this is its depth ("half inch melt pool"): common practice, no source."""

_SHORT_OF = {"from", "short", "off", "shy", "away", "to", "gap", "between", "left"}


_ACROSS = frozenset(("wide", "across", "diameter", "dia", "diam", "width", "ø", "round"))
_OFF_CENTRE = (
    "off centre",
    "off center",
    "from centre",
    "from center",
    "from the centre",
    "from the center",
    "off axis",
)
_ASIDE = (
    "out of centre", "out of center", "off to", "off the centre", "off the center", "from the middle", "left of",
    "right of", "to the left", "to the right", "to one side", "towards", "off",
)  # fmt: skip
_RING_OF = (
    "hang", "ring", "of hang", "collar", "of wax", "of hard wax", "of solid wax", "of unmelted", "unmelted",
    "wax left", "hard wax", "of cold wax", "ledge", "shelf", "rim of wax", "band of wax", "thick ring",
    "of it left on",
)  # fmt: skip


_LEADS_TO_NUMBER = frozenset((
    "is", "was", "at", "about", "=", ":", "approx", "around", "~", "now", "roughly", "say", "maybe", "to", "up",
    "a", "then", ",", "just", "under", "over", "nearly", "almost", "only", "of", "still", "measured", "measures",
    "reads", "got", "did", "from", "grew", "grown", "went", "gone", "rose", "shrank", "dropped", "fell", "crept",
    "climbed", "has", "increased",
))  # fmt: skip


class MeasureReader(WordReader):
    """Gives each number of the clause to the quantity and head it measures."""

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
        if quantity == "wick" and head.thing == "wick" and measure.unit != "deg":
            head.states.setdefault("wick", ("off-centre", item))
        head.measures.append((quantity, measure))
        head.measured_in[measure.start] = self.clause
        melted = measure.unit == "1" and word(self.tokens, item.end) in ("melted", "molten", "liquid")
        head.used.append((item.start, item.end + melted))
        head.loose |= self._is_loose(item)

    def _is_tolerance(self, item: Item) -> bool:
        """ "give or take five", "plus or minus 2 mm"; nor is "not 6" a number claimed."""
        if word(self.tokens, item.start - 1) == "not":
            return True
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
        states = mark_states(measure.value / 5)
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
                or (o.start <= item.start and item.start - o.end <= 1)
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
        if self._is_checkpoint(item):
            return
        head = self._full_head(item)
        looked = {"looked", "checked", "look", "peeked"}
        if (
            head is None
            or any(m.unit == "min" for _, m in head.measures)
            or looked & {word(self.tokens, k) for k in range(self.clause.start, item.start)}
        ):
            return
        if head in self.before or self._is_when(head, item):
            head.measures.append(("melt-pool", measure))
            head.used.append((item.start, item.end))
            head.heard.append(item.start)
            head.loose |= self._is_loose(item)

    def _is_checkpoint(self, item: Item) -> bool:
        """ "at the 2 hour check", "at hour 2": the checkpoint's hour, unless something is said to happen then."""
        follows = {word(self.tokens, k) for k in (item.end, item.end + 1)}
        named = follows & {"check", "checkpoint", "reading", "inspection", "mark"} or "hour" in item.names("skip")
        led_by = {word(self.tokens, item.start - 1), word(self.tokens, item.start - 2)}
        return bool(named) and "by" not in led_by and not self._event_before(item)

    def _full_head(self, item: Item) -> Head | None:
        """The head that says full: in this clause, or just before if the clause holds the time alone."""
        here = next((h for h in self.heads if says_full(h)), None)
        last = self.before[-1] if self.before and says_full(self.before[-1]) else None
        if here is not None or last is None or self.heads:
            return here
        took = any(o.has("events") for o in self.clause.overlays)
        odd_time = (
            item.measure is not None
            and item.measure.value % 60 != 0
            and item.end - item.start >= self.clause.end - self.clause.start
        )
        took = took or odd_time  # "A full melt pool! 3 hours 25 minutes."
        return last if took or (self.same_sentence and self._only_time(item)) else None

    def _is_when(self, head: Head, item: Item) -> bool:
        """Does the time say when the pool became full: right after it, or before it with a word of reaching?"""
        if item.start < head.item.end:
            return self._event_before(item) or word(self.tokens, item.start - 1) == "by"
        link = word(self.tokens, item.start - 1)
        near = 8 if link in ("at", "by", "after", "in", "@", "around", "about", "within", "the") else 4
        return item.start - head.end <= near and link not in ("for", "every", "last", "first", "next")

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
        placed = all(h.thing in PLACE_THINGS for h in self.heads)
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
        if head is None and not self.heads and self.same_sentence:
            head = next((h for h in reversed(self.before[-1:]) if h.own.keys() == {"wick"} or h.thing == "wick"), None)
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
        off = self.before[-1] if self.before and self.same_sentence and not self.heads else None
        if head is None and off is not None and off.states.get("wick", ("",))[0] == "off-centre" and not off.measures:
            return "wick", off  # "wick off to the right, 2 mm"
        if head is None and not self.heads:
            head = next((h for h in reversed(self.before[-3:]) if _bears_length(h) and h.thing != "other"), None)
            if head is not None and (not self.same_sentence or head.measures or head.dropped):
                head = self._another(head, item)
        if head is None and any("flame-motion" in h.own for h in self.heads or self.before[-1:]):
            head = self._fresh(item, ("flame-height",), "flame")  # "steady, 18 mm"
        if head is None or head.thing == "other":
            return None
        if measure.unit is None and not self._adjacent(head, item):
            return None
        deep = next((h for h in self.heads if "pool-depth" in h.own), None)
        if head.thing == "pool" and deep is not None and not deep.measures:
            return "pool-depth", deep
        return _length_quantity(head, measure), head

    def _adjacent(self, head: Head, item: Item) -> bool:
        """Does a number without a unit stand right beside what it measures, with nothing but small words between?"""
        gap = item.start - head.item.end if item.start >= head.item.end else head.item.start - item.end
        between = {word(self.tokens, k) for k in range(min(head.item.end, item.end), max(head.item.start, item.start))}
        return (gap <= 3 and between <= _LEADS_TO_NUMBER) or head.item.start == item.start

    def _dimension(self, item: Item) -> str | None:
        """The quantity named by the words round a length ("deep", "across", "from the wall"); "other" for one that is
        none of ours, None where the words say nothing."""
        after = [word(self.tokens, k) for k in range(item.end, min(item.end + 6, self.clause.end))]
        before = [word(self.tokens, k) for k in range(max(item.start - 4, self.clause.start), item.start)]
        if "radius" in (*before[-1:], *after[:1]):
            return "other"
        if {"depth", "dia", "diam", "diameter", "width"} & set(before[-1:]) and after[:1] in ([], ["flame"]):
            return self._named_before(before, after)
        return self._named_after(item, after) or self._named_before(before, after)

    def _wick_here(self) -> bool:
        return any(h.thing == "wick" or h.own.keys() == {"wick"} for h in self.heads or self.before[-1:])

    def _named_after(self, item: Item, after: list[str]) -> str | None:
        """By the words that follow: "8 mm deep", "55 mm across", "3 mm off centre", "5 mm of hard wax"."""
        text, first = " ".join(after), after[0] if after else ""
        if first in ("deep", "depth") or text.startswith(("of depth", "melt depth", "pool depth")):
            tunnel = any(h.presence == "tunnelling" for h in self.heads or self.before[-1:])
            return "tunnelling" if tunnel else "pool-depth"
        if first == "off" and self._off_the_edge(after):
            return "hang-up"
        if first in _ACROSS or text.startswith("in diameter"):
            return self._width_of(item)
        if first in ("tall", "high", "height", "flame"):
            return "other" if any(h.thing == "other" for h in self.heads) else "flame-height"
        if text.startswith(_OFF_CENTRE) or (self._wick_here() and text.startswith(_ASIDE)):
            return "wick"
        if _from_edge(text) or (not self._wick_here() and text.startswith(_RING_OF)):
            return "other" if self._wick_here() else "hang-up"
        return None

    def _off_the_edge(self, after: list[str]) -> bool:
        """ "maybe 2 mm off": off the edge, if the pool was spoken of; off centre, if the wick was."""
        pool = any("melt-pool" in h.quantities for h in [*self.before[-1:], *self.heads])
        return pool and not self._wick_here() and after[1:2] not in (["centre"], ["center"])

    def _named_before(self, before: list[str], after: list[str]) -> str | None:
        """By the words ahead: "depth 8 mm", "diameter: 61", "within 3 mm of the wall"."""
        if before[-1:] == ["within"] and after[:1] == ["of"] and EDGE_WORDS & set(after[1:4]):
            return "other" if self._wick_here() else "hang-up"
        if "by" in before[-3:] and self._short_of_edge():
            return "hang-up"
        if {"depth", "deep"} & set(before[-1:]) or (
            before[-2:-1] == ["depth"] and before[-1] in ("of", "about", "is", ":", "was")
        ):
            return "pool-depth"
        if _ACROSS & set(before[-1:]) or {"diameter", "width", "across"} & set(before[-2:-1]):
            return "melt-pool"
        return None

    def _short_of_edge(self) -> bool:
        """ "not reaching the edge by 5 mm", "shy of full by 2 mm"."""
        if any(h.own.get("melt-pool") in ("nearly-full", "partial") for h in self.heads):
            return True
        denied = any(i.has("negations") for i in self.clause.items)
        return denied and any(
            "melt-pool" in h.own and word(self.tokens, h.item.end - 1) in EDGE_WORDS for h in self.heads
        )

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
    if head.thing == "pool" and set(head.states) == {"pool-depth"}:
        return "pool-depth"
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


def _from_edge(text: str) -> bool:
    """ "5 mm short of the glass", "4 mm to go to the wall", "3 mm off the edge"."""
    words = text.split()
    if not words or words[0] not in _SHORT_OF:
        return False
    if words[0] in ("gap", "shy", "short") or (words[0] == "left" and words[1:2] not in (["of"], ["side"], ["and"])):
        return True
    if words[:2] == ["to", "go"] or words[:3] == ["left", "to", "go"]:
        return True
    return any(w in EDGE_WORDS for w in words[1:5])
