"""A clause read whole: words, numbers, denials, then hedges and places, each given to the head it was said of."""

from __future__ import annotations

from collections.abc import Sequence

from pooleye.audit.denials import DenialReader
from pooleye.audit.heads import PLACE_THINGS, Head, is_modifier
from pooleye.audit.scanning import Item, word


class ClauseReader(DenialReader):
    """Reads one clause; see `read`."""

    def read(self) -> list[Head]:
        """The clause's heads with everything attached; clones of earlier heads where the clause went on about them."""
        self._choose_things()
        self._drop_misfits()
        self._mark_comparisons()
        heading = {id(head.item) for head in self.heads}
        for item in self.clause.items:
            if id(item) not in heading and is_modifier(item):
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
        if (
            not able
            and not self.heads
            and self.before
            and self.clause.end - self.clause.start <= 7
            and any(i.has("amend", "withdraw") for i in self.clause.items)
        ):
            able = [self._repeated(self.before[-1], overlay)]
        if parts == ["wick"] and not directions:
            parts = []
        verbs = {word(self.tokens, k) for k in range(self.clause.start, self.clause.end)} & {"is", "are", "was", "were"}
        told_of_place = bool(verbs) and self.same_sentence
        if (
            not able
            and (parts or directions)
            and not told_of_place
            and all(h.thing in (*PLACE_THINGS, "other") for h in self.heads)
        ):
            able = [
                h for h in self._claiming(self.before[-3:])[-1:] if _takes_place(h, parts) and "melt-pool" not in h.own
            ]
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


def _takes_place(head: Head, parts: list[str]) -> bool:
    if head.own.get("wick") == "adrift" or "adrift" in [state for state, _ in head.states.values()]:
        return True
    quantities = set(head.own) or (
        {head.presence} if head.presence else set(head.states) | {q for q, _ in head.measures}
    )
    if quantities <= {"hot-throw", "flame-height", "pool-depth"}:
        return False
    return not (parts and quantities <= {"melt-pool", "wick", "flame-motion", "carbon-ball"})
