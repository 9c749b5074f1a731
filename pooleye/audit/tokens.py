"""A note cut into tokens, with spelling put right only where the word is surely not English.

Offsets always refer to the note as written, so that a claim can quote the tester's own words.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache

VULGAR = {
    "½": (1, 2), "¼": (1, 4), "¾": (3, 4), "⅓": (1, 3), "⅔": (2, 3),
    "⅛": (1, 8), "⅜": (3, 8), "⅝": (5, 8), "⅞": (7, 8), "⅕": (1, 5),
}  # fmt: skip

# Same length in, same length out: offsets must survive.
_FOLD = str.maketrans({"’": "'", "‘": "'", "“": '"', "”": '"', "″": '"', "′": "'", "–": "-", "−": "-", "º": "°"})

_TOKEN = re.compile(
    r"""
    (?P<clock>\d{1,2}:\d{2}(?:\s?[ap]m\b)?|\d{1,2}\s?[ap]m\b)
  | (?P<fraction>\d+/\d+)
  | (?P<ordinal>\d+(?:st|nd|rd|th)\b)
  | (?P<number>\d+\.\d+|\.\d+|\d+(?:,\d+(?!\d))?(?![\d/]))
  | (?P<vulgar>[½¼¾⅓⅔⅛⅜⅝⅞⅕])
  | (?P<word>[a-z]+(?:'[a-z]+)*)
  | (?P<newline>\n+)
  | (?P<mark>''|\.{2,}|\S)
    """,
    re.VERBOSE,
)
# A hyphen between two letters joins a compound ("hang-up"): it is neither a minus nor a pause.
_JOINING_HYPHEN = re.compile(r"(?<=[a-z])-(?=[a-z])")

LONGEST_NUMBER = 12
"""Characters; what is longer is a lot's or a telephone's number, and no number of a candle."""

ENGLISH_MIN_COUNT = 400
"""A word seen this often in the dictionary's corpus is taken as meant; judged: below it sit "sot" and "flam"."""


@dataclass(frozen=True)
class Token:
    """`text` folded to lower case, `norm` the spelling understood, `kind` as in the token grammar."""

    text: str
    norm: str
    kind: str
    start: int
    end: int

    @property
    def is_word(self) -> bool:
        return self.kind == "word"


def fold(note: str) -> str:
    """Lower case and plain quotes and dashes, character for character, so that offsets stay those of the note."""
    folded = "".join(low if len(low := char.lower()) == 1 else char for char in note.translate(_FOLD))
    return _JOINING_HYPHEN.sub(" ", folded)


def tokenise(note: str, correct: Callable[[str], str]) -> list[Token]:
    """Tokens of a note in order; `correct` maps a folded word to the spelling understood."""
    tokens = []
    for match in _TOKEN.finditer(fold(note)):
        kind, text = match.lastgroup or "mark", match.group()
        kind = "mark" if text[0].isdigit() and len(text) > LONGEST_NUMBER else kind
        norm = correct(text) if kind == "word" else text
        tokens.append(Token(text, norm, kind, match.start(), match.end()))
    return tokens


@lru_cache(maxsize=1)
def _english() -> Callable[[str], int]:
    """How often a word occurs in the spelling dictionary's corpus, 0 for a word it lacks."""
    from spellchecker import SpellChecker

    counts = SpellChecker(language="en", distance=1).word_frequency.dictionary
    return lambda word: int(counts.get(word, 0))


def _bare(word: str) -> str:
    return word.removesuffix("'s")


class Speller:
    """Puts a misspelt trade word right; leaves alone what is in the lexicon, what is English, and what is too short."""

    def __init__(
        self,
        vocabulary: frozenset[str],
        aliases: Mapping[str, str] | None = None,
        first: frozenset[str] = frozenset(),
    ) -> None:
        """`first`: words of danger, taken before any other that is as near."""
        self._first = first
        self._vocabulary = vocabulary
        self._aliases = aliases or {}
        self._choices = sorted(word for word in vocabulary if len(word) >= 3)
        self._known: dict[str, str] = {}

    def __call__(self, word: str) -> str:
        if word not in self._known:
            corrected = self._correct(word)
            self._known[word] = self._aliases.get(corrected, corrected)
        return self._known[word]

    def _correct(self, word: str) -> str:
        if word in self._vocabulary:
            return word
        bare = _bare(word)
        if bare in self._vocabulary:
            return bare
        if len(bare) < 3 or _english()(bare) >= ENGLISH_MIN_COUNT:
            return bare
        return self._nearest(bare) or bare

    def _nearest(self, word: str) -> str | None:
        """The one lexicon word within the edits that a word of this length may carry, the first letter held."""
        from rapidfuzz import process
        from rapidfuzz.distance import OSA

        allowed = 1 if len(word) <= 6 else 2
        if _english()(word):
            allowed = 1  # a rare word of the dictionary is more likely meant than two letters wrong
        near = process.extract(word, self._choices, scorer=OSA.distance, score_cutoff=allowed, limit=12)
        undoubled = _undoubled(word)
        kept = [
            (
                distance,
                choice not in self._first,
                choice[0] != word[0],
                _undoubled(choice) != undoubled,
                len(choice) < 4,
                choice,
            )
            for choice, distance, _ in near
            if (len(choice) >= 4 or _undoubled(choice) == undoubled)
            and choice.startswith("un") == word.startswith("un")
        ]
        return min(kept)[-1] if kept else None


def _undoubled(word: str) -> str:
    """The word with doubled letters single: "hott" and "hot" are then alike."""
    return re.sub(r"(.)\1+", r"\1", word)
