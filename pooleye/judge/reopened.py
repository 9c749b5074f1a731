"""What a change of ingredient does to earlier conclusions: stands, confirm with one arm, or test anew.

All of it is common practice without a source: no published rule says how far a wick's test carries over. What is near
the flame's supply (wax, fragrance, vessel) reopens the question; a new lot of the same thing asks for a confirmation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

PRACTICE = "common practice, no source"
ORDER = ("test anew", "confirm with one arm", "stands")
#: A load that moves by more than this many percent points is a new recipe; judged.
LOAD_ANEW = 1.0
_LOAD_SAME = 0.25


@dataclass(frozen=True)
class Recipe:
    """What a conclusion was drawn with, or what is planned; None = not said, and then not compared."""

    vessel: str | None = None
    wax: str | None = None
    fragrance: str | None = None
    load_percent: float | None = None
    dye: str | None = None
    lots: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Conclusion:
    """An earlier trial's word and the recipe it holds for."""

    trial: str
    word: str
    recipe: Recipe


@dataclass(frozen=True)
class Reopened:
    """What becomes of a conclusion: `word` is one of `ORDER`; `why` names each change."""

    trial: str
    conclusion: str
    word: str
    why: tuple[str, ...]

    def said(self) -> str:
        """One line."""
        reasons = f": {'; '.join(self.why)}" if self.why else ""
        return f"trial {self.trial} ({self.conclusion}): {self.word}{reasons} [{PRACTICE}]"


def reopened(conclusions: Iterable[Conclusion], planned: Recipe) -> tuple[Reopened, ...]:
    """Each earlier conclusion under the planned recipe, the most shaken first."""
    found = [_one(conclusion, planned) for conclusion in conclusions]
    return tuple(sorted(found, key=lambda one: ORDER.index(one.word)))


def _one(conclusion: Conclusion, planned: Recipe) -> Reopened:
    changes = [
        *_kinds(conclusion.recipe, planned),
        *_load(conclusion.recipe, planned),
        *_lots(conclusion.recipe, planned),
    ]
    word = min((word for word, _ in changes), key=ORDER.index, default="stands")
    return Reopened(conclusion.trial, conclusion.word, word, tuple(text for _, text in changes))


_KINDS = (
    ("vessel", "vessel", "test anew", "another bore, wall or depth heats the wax otherwise"),
    ("wax", "wax", "test anew", "another wax melts and climbs the wick otherwise"),
    ("fragrance", "fragrance", "test anew", "a fragrance oil can move the wick by a size or more either way"),
    ("dye", "dye", "confirm with one arm", "dye can clog a wick"),
)


def _kinds(before: Recipe, after: Recipe) -> list[tuple[str, str]]:
    found = []
    for name, words, severity, why in _KINDS:
        old, new = getattr(before, name), getattr(after, name)
        if new is not None and old != new:
            found.append((severity, f"{words} {old or 'none'} becomes {new}: {why}"))
    return found


def _load(before: Recipe, after: Recipe) -> list[tuple[str, str]]:
    if after.load_percent is None or before.load_percent is None:
        return []
    step = after.load_percent - before.load_percent
    if abs(step) <= _LOAD_SAME:
        return []
    word = "test anew" if abs(step) > LOAD_ANEW else "confirm with one arm"
    return [(word, f"load {before.load_percent:g} % becomes {after.load_percent:g} %: more oil feeds a wick less wax")]


def _lots(before: Recipe, after: Recipe) -> list[tuple[str, str]]:
    return [
        ("confirm with one arm", f"{component} lot {before.lots.get(component, 'not said')} becomes {label}")
        for component, label in after.lots.items()
        if before.lots.get(component) != label
    ]
