"""A note cut into sentences and clauses, so that a word reaches only the things it was said of."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, field

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
    for clause in clauses:
        clause.items = [item for item in inside if clause.start <= item.start < clause.end]
        clause.overlays = [item for item in overlays if clause.start <= item.start < clause.end]
    return clauses


def _breaks(tokens: Sequence[Token], i: int) -> bool:
    text = tokens[i].norm
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
