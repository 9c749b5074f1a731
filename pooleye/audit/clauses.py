"""A note cut into sentences and clauses, so that a word reaches only the things it was said of."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, field
from itertools import pairwise

from pooleye.audit.scanning import Item, word
from pooleye.audit.tokens import Token

_BREAK_WORDS = frozenset((
    "and", "but", "then", "with", "so", "because", "although", "though", "however", "plus", "also", "while",
    "whereas", "&", "until", "till", "tho", "cos", "besides", "otherwise", "meanwhile", "afterwards", "which",
    "when", "whenever",
))  # fmt: skip
_LIST_JOINERS = frozenset((",", "and", "&", "or", "nor", "/", "+"))


@dataclass
class Clause:
    """A stretch of tokens [start, end) with the items and overlays in it; `opened_by` is the word or mark before it."""

    start: int
    end: int
    items: list[Item] = field(default_factory=list)
    overlays: list[Item] = field(default_factory=list)
    opened_by: str = ""
    closed_by: str = ""
    compared: bool = False


def sentence_spans(
    tokens: Sequence[Token], note: str, items: Sequence[Item], openings: Set[int] = frozenset()
) -> list[tuple[int, int, str]]:
    """(start, end, closing mark) of each sentence; `openings` start one without a mark.

    A question answered at once is one sentence with its answer.
    """
    covered = _covered(items)
    spans, start = [], 0
    for i, token in enumerate(tokens):
        if i in openings and i > start:
            spans.append((start, i, ""))
            start = i
        if i in covered or not _ends_sentence(tokens, note, items, i):
            continue
        if i > start:
            spans.append((start, i, token.norm))
        start = i + 1
    if start < len(tokens):
        spans.append((start, len(tokens), ""))
    return spans


def _covered(items: Sequence[Item]) -> set[int]:
    return {i for item in items for i in range(item.start, item.end)}


def _ends_sentence(tokens: Sequence[Token], note: str, items: Sequence[Item], i: int) -> bool:
    token = tokens[i]
    if token.kind == "newline" or token.norm in (";", "!") or token.norm.startswith(".."):
        return True
    if token.norm == "?":
        return not _answered(tokens, items, i)
    if token.norm != ".":
        return False
    abbreviation = word(tokens, i - 1) in (
        "in",
        "approx",
        "no",
        "min",
        "hr",
        "hrs",
        "mins",
        "dia",
        "diam",
        "temp",
        "ca",
        "vs",
        "c",
    )
    follows_small = i + 1 < len(tokens) and not note[tokens[i + 1].start].isupper()
    return not (abbreviation and follows_small)


def _answered(tokens: Sequence[Token], items: Sequence[Item], i: int) -> bool:
    """ "Any soot? No." — the answer follows and says nothing else."""
    following = next((item for item in items if item.start == i + 1), None)
    return following is not None and following.has("after", "affirmations", "degree")


def split_clauses(
    tokens: Sequence[Token], span: tuple[int, int, str], items: Sequence[Item], overlays: Sequence[Item]
) -> list[Clause]:
    """The clauses of one sentence, with their items and overlays."""
    start, end, closing = span
    inside = [item for item in items if start <= item.start < end]
    held = _covered(inside) | _covered([o for o in overlays if o.has("parts", "directions")])
    clauses, begin, opened = [], start, ""
    for i in range(start, end):
        if (
            i in held
            or not _breaks(tokens, i)
            or _joins_list(tokens, inside, i)
            or _joins_adjectives(tokens, inside, i, begin)
        ):
            continue
        if i > begin:
            clauses.append(Clause(begin, i, opened_by=opened, closed_by=word(tokens, i)))
        begin, opened = i + 1, word(tokens, i)
    if begin < end:
        clauses.append(Clause(begin, end, opened_by=opened, closed_by=closing))
    clauses = [part for clause in clauses for part in _run_on_parts(tokens, clause, inside)]
    for clause in clauses:
        clause.items = [item for item in inside if clause.start <= item.start < clause.end]
        clause.overlays = [item for item in overlays if clause.start <= item.start < clause.end]
    return clauses


_RUN_ON_THINGS, _RUN_ON_TOKENS = 4, 16
"""A stretch this long without a pause is taken for dictation; judged on written notes, whose clauses are shorter."""

_COPULAS = frozenset(
    ("is", "was", "are", "were", "looks", "looked", "seems", "at", "about", "around", "=", ":", "now", "still", "just")
)
_ANSWERS = frozenset(("none", "nil", "nada", "zilch", "nope"))


def _run_on_parts(tokens: Sequence[Token], clause: Clause, items: Sequence[Item]) -> list[Clause]:
    """A clause that names three things or more without a pause, cut where one thing ends and the next begins."""
    inside = [item for item in items if clause.start <= item.start < clause.end]
    named = [item for item in inside if item.has("thing", "presence", "phrase")]
    if len(named) < _RUN_ON_THINGS or clause.end - clause.start < _RUN_ON_TOKENS:
        return [clause]
    cuts: list[int] = []
    answers = any(word(tokens, item.end) in _ANSWERS for item in named)
    for one, other in pairwise(named):
        cut = _cut_between(tokens, inside, one, other, cuts[-1] if cuts else clause.start, answers)
        if cut is not None:
            cuts.append(cut)
    bounds = [clause.start, *cuts, clause.end]
    parts = [Clause(a, b) for a, b in pairwise(bounds) if b > a]
    parts[0].opened_by, parts[-1].closed_by = clause.opened_by, clause.closed_by
    return parts


def _cut_between(
    tokens: Sequence[Token], items: Sequence[Item], one: Item, other: Item, begin: int, answers: bool
) -> int | None:
    """Where between two named things the words of the second begin; None where both belong together."""
    between = [item for item in items if one.end <= item.start < other.start and _says_something(item)]
    denial = next((i for i in between if i.has("negations") and word(tokens, i.start) not in _ANSWERS), None)
    if denial is not None:
        return denial.start if denial.start > begin else None
    if not between:
        return None
    if word(tokens, between[0].start) in _ANSWERS and between[0].start - one.end <= 1:
        return between[0].end
    last = between[-1]
    touching = last.end >= other.start - (word(tokens, other.start - 1) in ("of", "a", "the"))
    if last.measure is not None and touching and word(tokens, last.end) == "of":
        return _with_lead(tokens, last.start, one.end)
    verb = word(tokens, one.end) in _COPULAS or tokens[one.end - 1].text.endswith("'s")
    measured = {item.end for item in items if item.measure is not None}
    led = any(i.end == one.start and _says_something(i) and i.start not in measured for i in items if i.start >= begin)
    if led and not verb and between[0].measure is None and not one.has("phrase"):
        return _with_lead(tokens, between[0].start, one.end)
    if answers and not led and between[0].start - one.end <= 1 and len(between) == 1:
        return other.start  # things named first throughout: "cap tiny soot none"
    if touching and last.measure is None and (len(between) > 1 or not verb):
        return _with_lead(tokens, last.start, between[-2].end if len(between) > 1 else one.end)
    return other.start


def _with_lead(tokens: Sequence[Token], start: int, least: int) -> int:
    """The cut moved ahead of small words that lead up to a modifier ("there's already a bit of")."""
    while start > least and word(tokens, start - 1) in (
        "a",
        "an",
        "the",
        "very",
        "quite",
        "really",
        "there's",
        "already",
        "just",
        "maybe",
        "also",
    ):
        start -= 1
    return start


def _says_something(item: Item) -> bool:
    measured = item.measure is not None and item.measure.unit not in ("min", "g", "s", "other")
    return measured or item.has("word", "degree", "mark", "negations", "after", "comparative")


def _breaks(tokens: Sequence[Token], i: int) -> bool:
    text = tokens[i].norm
    if (
        text == "with"
        and i > 0
        and tokens[i - 1].norm in ("compared", "comparison", "along", "done", "happy", "pleased")
    ):
        return False
    if text in ("each", "every") and i + 1 < len(tokens) and tokens[i + 1].norm == "time":
        return True
    if text in (",", "(", ")", "—", "|", "[", "]", "•", "*", ">") or text in _BREAK_WORDS or text.startswith("--"):
        return True
    if text == "/":
        return tokens[i - 1].end < tokens[i].start and i + 1 < len(tokens) and tokens[i].end < tokens[i + 1].start
    if text != "-":
        return False
    spaced = (i == 0 or tokens[i - 1].end < tokens[i].start) or (
        i + 1 < len(tokens) and tokens[i].end < tokens[i + 1].start
    )
    return spaced or tokens[i - 1].is_word


def _joins_list(tokens: Sequence[Token], items: Sequence[Item], i: int) -> bool:
    """A comma or "and" between two bare presences ("no soot, smoke or hang-up") joins a list and breaks nothing."""
    if word(tokens, i) not in _LIST_JOINERS:
        return False
    left = next((item for item in items if item.end == i), None)
    after = i + 1 if word(tokens, i + 1) not in ("and", "or", "any") else i + 2
    right = next((item for item in items if item.start == after), None)
    return (
        left is not None
        and right is not None
        and left.has("presence")
        and right.has("presence")
        and not right.has("negations")
    )


def _joins_adjectives(tokens: Sequence[Token], items: Sequence[Item], i: int, begin: int) -> bool:
    """ "a low, flickering flame": adjectives before the thing they are said of."""
    if word(tokens, i) not in (",", "and", "&"):
        return False
    inside = [item for item in items if begin <= item.start]
    left = next((item for item in inside if item.end == i), None)
    right = next((item for item in inside if item.start == i + 1), None)
    if (
        left is None
        or right is None
        or any(item.has("thing", "presence") or item.measure for item in inside if item.start < i)
    ):
        return False
    named = next((item for item in inside if item.start == right.end), None)
    return left.has("word", "phrase") and right.has("word", "phrase") and named is not None and named.has("thing")


def list_groups(tokens: Sequence[Token], presences: Sequence[Item]) -> list[list[Item]]:
    """Presences joined only by commas, slashes, "and", "or": what is said of one may be said of all."""
    groups: list[list[Item]] = []
    for item in presences:
        if groups and _only_joiners(tokens, groups[-1][-1].end, item.start):
            groups[-1].append(item)
        else:
            groups.append([item])
    return [group for group in groups if len(group) > 1]


def _only_joiners(tokens: Sequence[Token], start: int, end: int) -> bool:
    return end > start and all(
        word(tokens, k) in _LIST_JOINERS or word(tokens, k) in ("any", "much") for k in range(start, end)
    )
