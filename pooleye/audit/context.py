"""One clause on the table: its heads, those spoken of just before, and the steps that every reader of words needs."""

from __future__ import annotations

from collections.abc import Sequence

from pooleye.audit.clauses import Clause
from pooleye.audit.heads import Head, heads_of, post_style
from pooleye.audit.lexicon import Lexicon
from pooleye.audit.scanning import Item, word
from pooleye.audit.tokens import Token


class ClauseContext:
    """The clause being read. Readers of words, numbers, denials and places build on it, one file each."""

    def __init__(
        self, tokens: Sequence[Token], lexicon: Lexicon, clause: Clause, before: Sequence[Head], same_sentence: bool
    ) -> None:
        self.tokens, self.lexicon, self.clause = tokens, lexicon, clause
        self.heads = heads_of(clause, lexicon)
        self.before = list(before)
        self.same_sentence = same_sentence
        self.post_style = post_style(clause, self.heads)
        self.clones: list[Head] = []
        self.unplaced_soft = False
        self.softened: set[int] = set()
        self.reached: list[Head] = []
        self.shifted = self._is_shifted()
        self.takes_back = self._interjected(("no", "nope", "nah"))
        self.hesitates = self._interjected(("er", "erm", "um", "uh", "hmm"))

    def _interjected(self, words: tuple[str, ...]) -> bool:
        """A "no" alone between pauses ("8 mm, no, 6 mm") takes back; after a bare "soot:" or "soot -" it answers."""
        clause, last = self.clause, self.before[-1] if self.before else None
        alone = clause.end - clause.start == 1 and word(self.tokens, clause.start) in words
        asked = last is None or not (last.settled or last.measures or last.directions)
        return (
            alone and not asked and clause.closed_by in (",", "-", "—") and clause.opened_by in ("", ",", "-", "—", "(")
        )

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

    def _another(self, earlier: Head, item: Item) -> Head:
        """A fresh head that goes on about what an earlier one named."""
        known = next((c for c in self.clones if c.quantities == earlier.quantities and c.thing == earlier.thing), None)
        if known is not None:
            return known
        parts = list(earlier.parts[:1]) if earlier.presence else []
        clone = Head(Item(item.start, item.end, earlier.item.senses), earlier.quantities, self.clause, parts=parts)
        clone.presence, clone.thing = earlier.presence, earlier.thing
        self.clones.append(clone)
        return clone

    def _fresh(self, item: Item, quantities: tuple[str, ...], thing: str | None) -> Head:
        head = Head(Item(item.start, item.end), quantities, self.clause, thing=thing)
        self.clones.append(head)
        return head

    def _before_comparative(self, item: Item) -> bool:
        """ "slightly more", "3 mm wider": what stands before a comparative belongs to it."""
        following = [other for other in self.clause.items if other.start in (item.end, item.end + 1)]
        return any(other.has("comparative") for other in following[:1]) and not (
            item.measure is not None and word(self.tokens, item.end) in ("and", ",")
        )
