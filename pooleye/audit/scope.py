"""What the clauses of a sentence are about other than this burn of this candle: plans, another burn, another candle."""

from __future__ import annotations

from collections.abc import Sequence

from pooleye.audit.clauses import Clause
from pooleye.audit.heads import Head
from pooleye.audit.notestate import State
from pooleye.audit.scanning import word

_STILL = ("still", "again", "another")
_NOW = ("now", "today", "tonight", "this")


class Scope:
    """What the clauses of one sentence are about other than this burn of this candle: plans, the last burn, others."""

    def __init__(self) -> None:
        self.last_burn = False
        self.other = False
        self.plan_from: int | None = None
        self.conditional_next = False
        self.snuff = False
        self.reason: str | None = None
        self.relative = False

    def enter(self, state: State, clause: Clause, number: int, clauses: Sequence[Clause]) -> None:
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
        following = next((c for c in clauses if c.start > clause.start), None)
        told_next = (
            following is not None
            and following.opened_by in ("when", "whenever", "while")
            and any(item.has("snuff") for item in following.items)
        )
        self.snuff = any(item.has("snuff") for item in clause.items) or self.snuff or told_next
        if any(item.has("snuff") for item in clause.items):
            state.snuffed = number
        self.snuff = self.snuff or number - state.snuffed == 1

    def drops(self, state: State, head: Head, clause: Clause) -> str | None:
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
