"""Denials and "nearly": what "no", "none", "almost" and lists of either reach."""

from __future__ import annotations

from pooleye.audit.clauses import list_groups
from pooleye.audit.heads import Head, says_full, state_key, word_states
from pooleye.audit.measures import MeasureReader
from pooleye.audit.scanning import Item, word

NEGATION_REACH = 7
"""Tokens over which "no" still denies; judged on "no sign at all of any soot" (6)."""


_AFTER_ANSWER = (
    "at",
    "yet",
    "so",
    "seen",
    "visible",
    "found",
    "here",
    "to",
    "on",
    "in",
    "anywhere",
    "today",
    "this",
    "now",
)


class DenialReader(MeasureReader):
    """Gives each denial and each "nearly" of the clause to what it reaches."""

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
            if self._before_comparative(item) or (graded and item.has("after")) or self._opens_change(item):
                continue
            self._deny(item)
        for item in self.clause.items:
            if item.has("unknown"):
                self._leave_unknown(item)

    def _leave_unknown(self, item: Item) -> None:
        """ "HU: n/a", "didn't check the soot": named, but nothing is claimed of it."""
        ahead = next((h for h in self.heads if h.item.start >= item.end), None)
        behind = [h for h in [*self.before[-1:], *self.heads] if h.item.end <= item.start]
        named = ahead or (behind[-1] if behind else None)
        if named is not None and not named.settled and not named.measures:
            named.dropped = "not-understood"

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
                    if h.item.end <= item.start and (h.presence or h.own or h.thing in ("pool", "throw"))
                ),
                None,
            )
            if target is not None and (
                target.states
                or target.negated
                or (target.own and not self._asks_of(target) and item.end - item.start < 2)
            ):
                return
        if target is None:
            return
        target.negated = True
        target.used.append((item.start, item.end))

    def _asks_of(self, target: Head) -> bool:
        """ "debris - none", "flicker: no": the thing is named alone, then denied."""
        alone = target.clause.items[:1] == [target.item] and len(target.clause.items) <= 2
        return alone and next(iter(target.own)) in ("debris", "flame-motion", "wick", "smoke")

    def _answers(self, item: Item) -> bool:
        """Does "no", "nil", "0" stand at the end, as an answer ("soot: nothing to see", not "nothing unusual")?"""
        more = any(o.start >= item.end and o.has("presence", "phrase", "thing", "word") for o in self.clause.items)
        return not more and (item.end >= self.clause.end or word(self.tokens, item.end) in _AFTER_ANSWER)

    def _denied(self, item: Item) -> Head | None:
        """The head that a denial before it reaches: the next one, or the one whose degree comes next."""
        for other in self.clause.items:
            if other.start < item.end or other.start - item.end > NEGATION_REACH:
                continue
            for head in self.heads + self.clones + self.before[-1:]:
                if any(state_item is other for _, state_item in head.states.values()):
                    quantity = state_key(head, other)
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
                and says_full(self.before[-1])
            ):
                head = self._fresh(item, ("melt-pool",), None)
                head.own = {"melt-pool": "full"}
            if head is None:
                head = next(
                    (h for h in self.heads if any(0 <= i.start - item.end <= 1 for _, i in h.states.values())),
                    None,
                )
            if head is not None:
                of_pool = "melt-pool" in head.own or "melt-pool" in head.states
                denies = any(word(self.tokens, k).endswith(("not", "n't")) for k in range(item.start, item.end))
                head.nearly = of_pool or not denies
                head.negated = denies if not of_pool else head.negated and not item.has("negations")
                head.hedged |= not of_pool
                if denies and not of_pool and head.states:
                    head.negated = False
                    head.denied_words |= set(head.states)
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
