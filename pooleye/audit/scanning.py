"""Tokens of a note turned into items: measures, marks out of five, candle labels, and the phrases of the lexicon."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pooleye.audit.lexicon import Compound, Lexicon, Meaning, Phrase
from pooleye.audit.numbers import Measure, read_measure, read_number
from pooleye.audit.tokens import Token

# Numbers behind these words count things that are no measurement.
_COUNTED = (
    "burn", "lot", "batch", "pour", "trial", "day", "session", "week", "arm", "round", "cycle", "test", "stage",
    "page", "photo", "img", "rep", "run", "series", "wick", "size", "no", "checkpoint", "check", "hour", "cp",
)  # fmt: skip
_NOT_FULL = (
    "burn", "session", "test", "cycle", "of", "4", "four", "size", "length", "height", "stop", "view", "hour",
    "fill", "day", "strength", "moon", "time", "force", "throw", "scent", "life", "jar",
)  # fmt: skip
_STATE_VERBS = (
    "is", "was", "has", "had", "looks", "burns", "burning", "seems", "still", "full", "soots", "sooting",
    "tunnelling", "tunneling", "smoking", "and", "flame", "pool", "wick", "soot", "did", "isn't", "went",
)  # fmt: skip
_BEFORE_LABEL = ("", ".", ",", ";", "than", "like", "and", "but", "as", "to", "unlike", "on", "vs", "beside", "with")
_AFTER_WAX_LEFT = (
    "wax", "nothing", "any", "anything", "residue", "ring", "much", "little", "mm", "in", "inch", "was", "been",
    "hours", "g", "grams", "is", "mins", "minutes", "min", "h", "hrs", "sliver", "some", "bit", "i", "none", "one",
    "ones", "it", "are", "has", "just", "collar", "bits", "film",
)  # fmt: skip
_LEFT_NOUNS = ("side", "hand", "edge", "wall", "rim", "half", "of", "front", "back", "quarter")
_AFTER_LEAN = (
    "leaning", "leans", "lean", "left", "drifted", "moved", "off", "shifted", "back", "front", "tilted", "bent",
    "to", "bottom", "top", "slightly", "more", "bends", "curling", "tilting", "drifting", "far", "near", "mm",
    "leant", "leaned", "curled", "hard", "only", "toward", "towards", "the", "soot", "up",
)  # fmt: skip
_PASSED_OVER = frozenset((
    "still", "now", "just", "also", "already", "always", "been", "slowly", "is", "are", "was", "were", "looks",
    "looking", "look", "seems", "has", "have", "had",
))  # fmt: skip


@dataclass(frozen=True)
class Item:
    """Something recognised between tokens [start, end); `senses` from the lexicon, or a measure, mark or label."""

    start: int
    end: int
    senses: tuple[Meaning, ...] = ()
    measure: Measure | None = None

    def has(self, *kinds: str) -> bool:
        return any(sense.kind in kinds for sense in self.senses)

    def states(self, kind: str) -> dict[str, str]:
        """{quantity: state} of the senses of one kind, in the lexicon's order."""
        return {sense.name: sense.state for sense in self.senses if sense.kind == kind and sense.state is not None}

    def names(self, kind: str) -> list[str]:
        return [sense.name for sense in self.senses if sense.kind == kind]

    def of(self, kind: str) -> str | None:
        return next((sense.name for sense in self.senses if sense.kind == kind), None)


def word(tokens: Sequence[Token], i: int) -> str:
    """The understood spelling of token i, "" outside the note."""
    return tokens[i].norm if 0 <= i < len(tokens) else ""


def longest_phrase(
    tokens: Sequence[Token],
    i: int,
    table: Mapping[Phrase, tuple[Meaning, ...]],
    compounds: Mapping[str, tuple[Compound, ...]],
    longest: int,
) -> tuple[int, tuple[Meaning, ...]] | None:
    """(end, senses) of the longest phrase or compound that starts at token i; "still", "is" and the like may stand
    between its words."""
    norms = tuple(token.norm for token in tokens[i : i + longest])
    found = _longest_written(norms, table)
    length, senses = found if found else (0, ())
    for compound in compounds.get(norms[0], ()):
        end = compound.end(norms, 0, _PASSED_OVER)
        if end is not None and end >= length:
            senses = (
                *(senses if end == length else ()),
                *(() if compound.meaning in senses and end == length else (compound.meaning,)),
            )
            length = end
    return (i + length, senses) if length else None


def _longest_written(
    norms: Phrase, table: Mapping[Phrase, tuple[Meaning, ...]]
) -> tuple[int, tuple[Meaning, ...]] | None:
    for length in range(len(norms), 0, -1):
        senses = table.get(norms[:length])
        if senses is None and length > 2 and norms[length - 1] not in _PASSED_OVER:
            senses = table.get((norms[0], *(norm for norm in norms[1:length] if norm not in _PASSED_OVER)))
        if senses:
            return length, senses
    return None


def scan(tokens: Sequence[Token], note: str, lexicon: Lexicon, codes: frozenset[str] = frozenset()) -> list[Item]:
    """The items of a note in order, none overlapping; the longest reading of the same words wins.

    `codes`: candles known by a code of their own, written in capitals.
    """
    items: list[Item] = []
    i = 0
    while i < len(tokens):
        item = _code(tokens, note, i, codes) or _item_at(tokens, note, i, lexicon)
        if item is not None:
            items.append(item)
        i = item.end if item else i + 1
    return items


def _item_at(tokens: Sequence[Token], note: str, i: int, lexicon: Lexicon) -> Item | None:
    if tokens[i].kind in ("clock", "ordinal"):
        return _clock(tokens, i)
    if word(tokens, i) == "t" and word(tokens, i + 1) == "+" and i + 2 < len(tokens):
        return Item(i, i + 3, (Meaning("skip", "hour"),))
    special = (
        _initial(tokens, i)
        or _clock_place(tokens, i)
        or _mark(tokens, i)
        or _label(tokens, note, i)
        or _counted(tokens, i)
        or _pluses(tokens, i)
    )
    if special:
        return special
    measure = read_measure(tokens, i)
    phrase = _allowed_phrase(tokens, i, lexicon)
    if measure and (measure.unit is not None or (phrase is None and _bare_number(tokens, measure))):
        return Item(i, measure.end, measure=measure)
    return Item(i, phrase[0], phrase[1]) if phrase else None


def _initial(tokens: Sequence[Token], i: int) -> Item | None:
    """ "D=8mm", "W: 55": depth and width by their initials."""
    name = {"d": "depth", "w": "width"}.get(word(tokens, i))
    numbered = (
        i + 1 < len(tokens) and tokens[i + 1].kind in ("number", "fraction") and tokens[i + 1].start > tokens[i].end
    )
    if name and (word(tokens, i + 1) in ("=", ":") or numbered):
        return Item(i, i + 1, (Meaning("thing", name),))
    return None


def _clock(tokens: Sequence[Token], i: int) -> Item:
    """A clock reading; an early one without am or pm ("2:45") may be the time since lighting."""
    text = tokens[i].text
    if (
        tokens[i].kind == "clock"
        and text[-1].isdigit()
        and int(text.split(":")[0]) <= 5
        and not any(t.norm == "lit" for t in tokens)
    ):
        hours, minutes = (int(part) for part in text.split(":"))
        return Item(
            i,
            i + 1,
            (Meaning("skip", "clock"),),
            Measure(hours * 60 + minutes, "min", 1.0, 0.0, i, i + 1, counted=True),
        )
    return Item(i, i + 1, (Meaning("skip", "clock"),))


def _allowed_phrase(tokens: Sequence[Token], i: int, lexicon: Lexicon) -> tuple[int, tuple[Meaning, ...]] | None:
    phrase = longest_phrase(tokens, i, lexicon.phrases, lexicon.compounds, lexicon.longest)
    if word(tokens, i) in ("melt", "wax", "molten", "liquid") and word(tokens, i + 1) == "pool":
        plain = longest_phrase(tokens, i + 1, lexicon.phrases, lexicon.compounds, lexicon.longest)
        if plain and (phrase is None or plain[0] > phrase[0]):
            return plain  # what is said of a pool is said of a melt pool
    if phrase and phrase[0] > i + 1 and all(sense.kind == "after" for sense in phrase[1]):
        goes_on = phrase[0] < len(tokens) and tokens[phrase[0]].is_word
        alone = lexicon.phrases.get((word(tokens, i),))
        if goes_on:
            return (i + 1, alone) if alone else None  # "never reached the wall" is no answer
    if phrase and phrase[0] == i + 1 and word(tokens, i) == "full" and word(tokens, i + 1) in _NOT_FULL:
        return None
    return phrase


_MAY_FOLLOW_NUMBER = frozenset((
    "", ",", ".", ";", ")", "-", "/", "deep", "wide", "across", "tall", "high", "thick", "and", "x", "by", "ish", "or",
    "maybe", "off", "now", "then", "but", "with", "at", "today",
))  # fmt: skip


def _bare_number(tokens: Sequence[Token], measure: Measure) -> bool:
    """A number without a unit is kept if in digits, or in words where it counts nothing ("three sides")."""
    if any(token.kind in ("number", "fraction", "vulgar") for token in tokens[measure.start : measure.end]):
        return True
    return measure.value < 1 or (measure.value >= 2 and word(tokens, measure.end) in _MAY_FOLLOW_NUMBER)


def _clock_place(tokens: Sequence[Token], i: int) -> Item | None:
    """ "3 o'clock", "10 to 2 o'clock", "from 10-2 o'clock": a place on the rim."""
    number = read_number(tokens, i)
    if number is None or number.share:
        return None
    j = number.end
    if word(tokens, j) in ("to", "-", "and", "or") and j + 1 < len(tokens):
        second = read_number(tokens, j + 1)
        if second and word(tokens, second.end) in ("o'clock", "oclock"):
            apart = word(tokens, j) in ("and", "or") and word(tokens, i - 1) != "between"
            name = f"{number.value:g} {'and' if apart else 'to'} {second.value:g} o'clock"
            return Item(i, second.end + 1, (Meaning("directions", name),))
    if word(tokens, j) in ("o'clock", "oclock"):
        return Item(i, j + 1, (Meaning("directions", f"{number.value:g} o'clock"),))
    return None


def _mark(tokens: Sequence[Token], i: int) -> Item | None:
    """A mark out of five or ten: "4/5", "3 out of 5", "four out of ten", as a share of the scale."""
    token = tokens[i]
    if token.kind == "fraction":
        top, bottom = (int(part) for part in token.text.split("/"))
        share_follows = word(tokens, i + 1) in (
            "of",
            "way",
            "melted",
            "full",
            "in",
            "inch",
            '"',
            "inches",
            "across",
            "round",
            "liquid",
        )
        if bottom in (5, 10) and top <= bottom and not share_follows:
            return Item(i, i + 1, (Meaning("mark", f"{top / bottom}"),))
        return None
    number = read_number(tokens, i)
    if number is None or number.share:
        return None
    j = number.end
    if (word(tokens, j), word(tokens, j + 1)) == ("out", "of"):
        scale = read_number(tokens, j + 2)
        if scale and scale.value in (5, 10) and number.value <= scale.value:
            return Item(i, scale.end, (Meaning("mark", f"{number.value / scale.value}"),))
    if (
        word(tokens, j) == "/"
        and (scale := read_number(tokens, j + 1))
        and scale.value in (5, 10)
        and number.value <= scale.value
    ):
        return Item(i, scale.end, (Meaning("mark", f"{number.value / scale.value}"),))
    return None


def _code(tokens: Sequence[Token], note: str, i: int, codes: frozenset[str]) -> Item | None:
    """A known candle's code, which may be several tokens ("4AYJ")."""
    for code in codes:
        end = tokens[i].start + len(code)
        if note[tokens[i].start : end] == code and not note[end : end + 1].isalnum():
            inside = [k for k in range(i, len(tokens)) if tokens[k].start < end]
            return Item(i, inside[-1] + 1, (Meaning("label", code),))
    return None


def _label(tokens: Sequence[Token], note: str, i: int) -> Item | None:
    """A candle's label: "candle 3", "jar B", "#4", "A1", or a lone capital ("B is sooting")."""
    head = word(tokens, i)
    if (
        tokens[i].kind == "number"
        and word(tokens, i + 1) == ")"
        and word(tokens, i - 1) != "("
        and tokens[i + 1].start == tokens[i].end
    ):
        opened = any(word(tokens, k) == "(" for k in range(max(0, i - 8), i))
        return None if opened else Item(i, i + 2, (Meaning("label", tokens[i].text),))
    if head in (
        "candle",
        "candles",
        "jar",
        "tin",
        "sample",
        "number",
        "specimen",
        "vessel",
        "unit",
        "pot",
        "tumbler",
        "#",
        "no",
    ):
        j = i + 1 + (head == "no" and word(tokens, i + 1) == ".")
        if head == "candle" and word(tokens, j) in ("number", "no"):
            j += 1 + (word(tokens, j + 1) == ".")
        named = _label_name(tokens, note, j)
        if named and not (head == "no" and j == i + 1):
            return Item(i, named[1], (Meaning("label", named[0]),))
        return None
    if tokens[i].kind == "word" and len(head) == 1 and note[tokens[i].start].isupper() and head not in "ilr":
        glued = i + 1 < len(tokens) and tokens[i + 1].kind == "number" and tokens[i + 1].start <= tokens[i].end + 1
        if glued and tokens[i + 1].start == tokens[i].end:
            return Item(i, i + 2, (Meaning("label", head.upper() + tokens[i + 1].text),))
        lone = head != "a" or word(tokens, i + 1) in (":", "-", "has", "was", "did", "looks", "is", "full")
        before = word(tokens, i - 1)
        follows = before in _BEFORE_LABEL or tokens[i - 1].kind == "newline"
        if lone and (follows or word(tokens, i + 1) in _STATE_VERBS):
            return Item(i, i + 1, (Meaning("label", head.upper()),))
    return None


def _label_name(tokens: Sequence[Token], note: str, j: int) -> tuple[str, int] | None:
    if j >= len(tokens):
        return None
    token = tokens[j]
    if token.kind == "word" and len(token.text) == 1 and (note[token.start].isupper() or token.text not in "a"):
        if j + 1 < len(tokens) and tokens[j + 1].kind == "number" and tokens[j + 1].start == token.end:
            return token.text.upper() + tokens[j + 1].text, j + 2
        return token.text.upper(), j + 1
    measure = read_measure(tokens, j)
    if measure and measure.unit is None and measure.value == int(measure.value) and measure.half_range == 0:
        end = measure.end
        glued = (
            end < len(tokens)
            and tokens[end].kind == "word"
            and len(tokens[end].text) == 1
            and tokens[end].start == tokens[end - 1].end
        )
        return (f"{measure.value:g}{tokens[end].text.upper()}", end + 1) if glued else (f"{measure.value:g}", end)
    return None


def _counted(tokens: Sequence[Token], i: int) -> Item | None:
    """ "burn 3", "lot 12", "hour 2": a number that counts, not a measurement."""
    if word(tokens, i) not in _COUNTED or i + 1 >= len(tokens):
        return None
    j = i + 1 + (word(tokens, i + 1) in ("#", "no", "number"))
    if j >= len(tokens):
        return None
    measure = read_measure(tokens, j)
    if measure is None or measure.unit is not None or measure.value != int(measure.value):
        return None
    if word(tokens, i) == "no" or measure.half_range:
        return None
    if word(tokens, i) == "hour":
        since = Measure(measure.value * 60, "min", 30.0, 0.0, i, measure.end, counted=True)
        return Item(i, measure.end, (Meaning("skip", "hour"),), since)
    return Item(i, measure.end, (Meaning("skip", word(tokens, i)),))


def _pluses(tokens: Sequence[Token], i: int) -> Item | None:
    """ "soot ++": one to three pluses as a grade."""
    j = i
    while word(tokens, j) == "+":
        j += 1
    if j == i or (
        j == i + 1 and j < len(tokens) and tokens[j].kind != "newline" and word(tokens, j) not in (",", ".", ";", ")")
    ):
        return None
    return Item(
        i,
        j,
        (
            Meaning(
                "degree",
                ("slight", "moderate", "heavy")[min(j - i, 3) - 1],
                ("slight", "moderate", "heavy")[min(j - i, 3) - 1],
            ),
        ),
    )


def scan_overlays(tokens: Sequence[Token], lexicon: Lexicon, items: Sequence[Item]) -> list[Item]:
    """Hedges, places, dangers: looked for over the whole note, whatever else the same words say (but a candle's label
    is no place)."""
    found: list[Item] = []
    labelled = {k for item in items if item.has("label") for k in range(item.start, item.end)}
    i = 0
    while i < len(tokens):
        phrase = longest_phrase(tokens, i, lexicon.overlays, lexicon.overlay_compounds, lexicon.longest)
        if phrase and i not in labelled and not _false_direction(tokens, i, phrase[0]):
            found.append(Item(i, phrase[0], phrase[1]))
            i = phrase[0]
            continue
        single = _single_direction(tokens, i)
        if single:
            found.append(single)
        i += 1
    return found


def _false_direction(tokens: Sequence[Token], i: int, end: int) -> bool:
    """ "wax left on the wall": left over, not left-hand."""
    if end != i + 1 or word(tokens, i) != "left":
        return False
    ends = word(tokens, i + 1) in ("", ".", ",", ";", "and", "&", ")")
    hung = {word(tokens, k) for k in range(max(0, i - 5), i)} & {"up", "hangup", "hu"}
    if ends and hung and word(tokens, i - 1) in ("mm", "in", "inch", "inches", "cm", '"'):
        return False  # "hang-up 4 mm left, 2 mm right"
    counted = {word(tokens, k) for k in range(max(0, i - 6), i)} & {
        "no",
        "any",
        "of",
        "still",
        "there's",
        "much",
        "some",
    }
    if word(tokens, i - 1) in ("up", "hangup") and counted and word(tokens, i + 1) not in _LEFT_NOUNS:
        return True
    if word(tokens, i + 1) in _LEFT_NOUNS or (
        word(tokens, i - 1) in ("the", *_AFTER_LEAN) and word(tokens, i - 1) not in ("mm", "soot", "only", "up")
    ):
        return False
    return word(tokens, i - 1) in _AFTER_WAX_LEFT or word(tokens, i + 1) in (
        "in",
        "on",
        "over",
        "behind",
        "there",
        "at",
        "after",
    )


def _single_direction(tokens: Sequence[Token], i: int) -> Item | None:
    """A bare "right" is a direction only where the words before make it one; "L" and "R" stand for the sides."""
    text = word(tokens, i)
    if text == "l" or (text == "r" and tokens[i].kind == "word"):
        return Item(i, i + 1, (Meaning("directions", "left" if text == "l" else "right"),))
    if (
        text == "right"
        and word(tokens, i - 1) in _AFTER_LEAN
        and word(tokens, i + 1) not in ("amount", "height", "depth", "size")
    ):
        return Item(i, i + 1, (Meaning("directions", "right"),))
    return None
