"""The tester's vocabulary: `lexicon.toml` and a maker's own file of the same shape, compiled to one phrase table."""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from pooleye.audit.claims import STATES
from pooleye.audit.numbers import NUMBER_VOCABULARY
from pooleye.errors import PooleyeError

Phrase = tuple[str, ...]
_TABLES = (
    "aliases", "groups", "things", "quantities", "degrees", "softeners", "talk", "places", "incidents",
    "incidents_near", "incidents_not", "plain",
)  # fmt: skip
_GROUP = re.compile(r"\(<([a-z]+)>\)|<([a-z]+)>")
_STATE_TABLES = ("presence", "phrases", "words")

# How the four degrees read on each quantity's own scale.
DEGREE_SCALES: Mapping[str, tuple[str, str, str, str]] = {
    "hang-up": ("none", "slight", "moderate", "heavy"),
    "tunnelling": ("none", "slight", "moderate", "heavy"),
    "soot": ("none", "slight", "moderate", "heavy"),
    "smoke": ("none", "slight", "moderate", "heavy"),
    "carbon-ball": ("none", "small", "medium", "large"),
    "hot-throw": ("none", "weak", "medium", "strong"),
}
DEGREES = ("none", "slight", "moderate", "heavy")


@dataclass(frozen=True)
class Meaning:
    """One sense of a phrase: `kind` is its part in a sentence, `name` the quantity, thing or cue, `state` if any."""

    kind: str
    name: str
    state: str | None = None


@dataclass(frozen=True)
class Compound:
    """An entry of several groups ("<reach> (<the>) <edge>"), kept as its parts: written out it would be thousands of
    phrases. A part that may be left out holds the empty phrase."""

    parts: tuple[frozenset[Phrase], ...]
    meaning: Meaning

    def end(self, norms: Phrase, start: int, passed_over: frozenset[str]) -> int | None:
        """Where the longest match of all parts from `start` ends, or None; words passed over may stand between."""
        return _compound_end(self.parts, norms, start, passed_over)


def _compound_end(
    parts: tuple[frozenset[Phrase], ...], norms: Phrase, start: int, passed_over: frozenset[str]
) -> int | None:
    if not parts:
        return start
    ends = [
        end
        for length in {len(phrase) for phrase in parts[0]}
        if start + length <= len(norms)
        and norms[start : start + length] in parts[0]
        and (end := _compound_end(parts[1:], norms, start + length, passed_over)) is not None
    ]
    if start < len(norms) and norms[start] in passed_over and start > 0:
        later = _compound_end(parts, norms, start + 1, passed_over)
        ends += [later] if later is not None else []
    return max(ends, default=None)


@dataclass(frozen=True, eq=False)
class Lexicon:
    """Compiled vocabulary. `phrases` are those that compete for the same words (longest wins); `overlays` (hedges,
    places, dangers) are looked for independently, since the same words may also make a claim."""

    phrases: Mapping[Phrase, tuple[Meaning, ...]]
    overlays: Mapping[Phrase, tuple[Meaning, ...]]
    compounds: Mapping[str, tuple[Compound, ...]]
    overlay_compounds: Mapping[str, tuple[Compound, ...]]
    vocabulary: frozenset[str]
    plain: frozenset[str]
    thing_quantities: Mapping[str, tuple[str, ...]]
    thing_negated: Mapping[str, str]
    longest: int
    aliases: Mapping[str, str]
    dangers: frozenset[str]
    near_dangers: tuple[tuple[str, frozenset[str], frozenset[str]], ...] = ()
    harmless: tuple[str, ...] = ()


def inflections(word: str) -> set[str]:
    """English forms of a verb or adjective stem: flicker -> flickers, flickered, flickering, flickery."""
    stem = word.removesuffix("e")
    forms = {word, word + "s", stem + "ed", stem + "ing", stem + "er"}
    if word.endswith("y"):
        forms |= {word[:-1] + "ied", word[:-1] + "ies"}
    if re.search(r"[^aeiou][aeiou][bdgmnpt]$", word):
        forms |= {word + word[-1] + "ed", word + word[-1] + "ing"}
    if word.endswith("l"):
        forms |= {word + "led", word + "ling"}
    if word.endswith(("ch", "sh", "ss", "x")):
        forms.add(word + "es")
    return forms


def _options(element: str) -> list[str]:
    """The spellings that one element of an entry stands for."""
    chosen: list[str] = []
    for part in element.split("|"):
        chosen += sorted(inflections(part[:-1])) if part.endswith("~") and part != "~" else [part]
    return chosen


def expand(entry: str, groups: Mapping[str, list[str]]) -> Iterator[Phrase]:
    """Every word sequence an entry stands for; see the head of lexicon.toml for the notation."""
    found = _GROUP.search(entry)
    if found:
        name = found.group(1) or found.group(2)
        texts = list(groups[name]) + ([""] if found.group(1) else [])
        for text in texts:
            yield from expand(entry[: found.start()] + text + entry[found.end() :], groups)
        return
    elements = [
        [*_options(piece[1:-1]), ""] if piece.startswith("(") and piece.endswith(")") else _options(piece)
        for piece in entry.split()
    ]
    for combination in itertools.product(*elements):
        yield tuple(word for word in combination if word)


def _entries(data: Mapping[str, Any]) -> Iterator[tuple[str, Meaning]]:
    """(entry, meaning) of every phrase that competes for words."""
    for name, thing in data["things"].items():
        yield from ((entry, Meaning("thing", name)) for entry in thing["words"])
    for quantity, tables in data["quantities"].items():
        yield from ((entry, Meaning("presence", quantity)) for entry in tables.get("presence", ()))
        for kind, table in (("phrase", "phrases"), ("word", "words")):
            for state, entries in tables.get(table, {}).items():
                yield from ((entry, Meaning(kind, quantity, state)) for entry in entries)
    for degree, entries in data["degrees"].items():
        yield from ((entry, Meaning("degree", degree, degree)) for entry in entries)
    for entry in data["softeners"]["words"]:
        yield entry, Meaning("degree", "slight", "slight")
        yield entry, Meaning("soft", "soft")
    for cue in _COMPETING_CUES:
        yield from ((entry, Meaning(cue, cue)) for entry in data["talk"][cue])


_COMPETING_CUES = (
    "negations", "after", "affirmations", "nearly", "withdraw", "amend", "quoted", "illusion", "comparative",
    "last_burn", "plan", "not_plan", "condition", "snuff", "other_candle", "this_candle", "fillers", "unknown",
)  # fmt: skip
_OVERLAY_CUES = ("hedges", "negating_hedges", "approx", "events")


def _overlay_entries(data: Mapping[str, Any]) -> Iterator[tuple[str, Meaning]]:
    for cue in _OVERLAY_CUES:
        yield from ((entry, Meaning(cue, cue)) for entry in data["talk"][cue])
    for table in ("parts", "directions"):
        for name, entries in data["places"][table].items():
            yield from ((entry, Meaning(table, name)) for entry in entries)
    for kind, entries in data["incidents"].items():
        yield from ((entry, Meaning("incident", kind)) for entry in entries)


def _near_dangers(data: Mapping[str, Any]) -> Iterator[tuple[str, frozenset[str], frozenset[str]]]:
    """(kind, words, words): dangers said with other words between."""
    for kind, pairs in data["incidents_near"].items():
        yield from ((kind, frozenset(_options(one)), frozenset(_options(other))) for one, other in pairs)


def _compound(entry: str, groups: Mapping[str, list[str]]) -> tuple[frozenset[Phrase], ...] | None:
    """The parts of an entry with two groups or more; None for one that is as well written out."""
    if len(_GROUP.findall(entry)) < 2:
        return None
    parts, at = [], 0
    for found in _GROUP.finditer(entry):
        literal = entry[at : found.start()].strip()
        parts += [frozenset(expand(literal, groups))] if literal else []
        texts = groups[found.group(1) or found.group(2)]
        parts.append(frozenset([tuple(text.split()) for text in texts] + ([()] if found.group(1) else [])))
        at = found.end()
    literal = entry[at:].strip()
    return tuple([*parts, frozenset(expand(literal, groups))] if literal else parts)


def _aliased(entry: str, aliases: Mapping[str, str]) -> str:
    """The entry in the spelling that notes are read in."""
    return re.sub(r"[a-z']+", lambda found: aliases.get(found.group(), found.group()), entry)


def _compile(
    entries: Iterable[tuple[str, Meaning]], groups: Mapping[str, list[str]], aliases: Mapping[str, str]
) -> tuple[dict[Phrase, tuple[Meaning, ...]], dict[str, tuple[Compound, ...]]]:
    """(phrase table, compounds by first word) of the entries."""
    table: dict[Phrase, list[Meaning]] = {}
    compounds: dict[str, list[Compound]] = {}
    for written, meaning in entries:
        entry = _aliased(written.lower().replace("-", " "), aliases)
        parts = _compound(entry, groups)
        if parts is not None:
            for first in {phrase[0] for phrase in parts[0] if phrase}:
                compounds.setdefault(first, []).append(Compound(parts, meaning))
            continue
        for phrase in expand(entry, groups):
            senses = table.setdefault(phrase, [])
            if meaning not in senses:
                senses.append(meaning)
    return (
        {phrase: tuple(senses) for phrase, senses in table.items()},
        {first: tuple(found) for first, found in compounds.items()},
    )


def _joined(base: Any, extra: Any, path: str, source: Path) -> Any:
    """`extra` laid over `base`: tables merge, lists are joined, anything else must not clash."""
    if isinstance(base, dict) and isinstance(extra, dict):
        merged = dict(base)
        for key, value in extra.items():
            merged[key] = _joined(base[key], value, f"{path}.{key}" if path else key, source) if key in base else value
        return merged
    if isinstance(base, list) and isinstance(extra, list):
        return base + [item for item in extra if item not in base]
    raise _bad(source, f"{path} must be a {'list of phrases' if isinstance(base, list) else 'table'}")


def _bad(source: Path, what: str) -> PooleyeError:
    return PooleyeError(
        "lexicon-unreadable",
        f"{source}: {what}",
        hint="copy the shape of pooleye/audit/lexicon.toml; docs/audit.md has an example",
    )


def _check(extra: Mapping[str, Any], source: Path) -> None:
    """A maker's file may only use tables, quantities and states that exist: a misspelt one would be lost in silence."""
    if unknown := sorted(set(extra) - set(_TABLES)):
        raise _bad(source, f"unknown table [{unknown[0]}]; the tables are {', '.join(_TABLES)}")
    for quantity, tables in extra.get("quantities", {}).items():
        if quantity not in STATES:
            raise _bad(source, f"unknown quantity {quantity!r}; the quantities are {', '.join(STATES)}")
        if strange := sorted(set(tables) - set(_STATE_TABLES)):
            raise _bad(source, f"[quantities.{quantity}] knows {', '.join(_STATE_TABLES)}, not {strange[0]!r}")
        states = {state for table in ("phrases", "words") for state in tables.get(table, {})}
        if wrong := sorted(states - set(STATES[quantity])):
            raise _bad(source, f"{quantity} has no state {wrong[0]!r}; its states are {', '.join(STATES[quantity])}")


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise _bad(path, f"cannot be read as TOML ({error})") from error


@lru_cache(maxsize=4)
def load_lexicon(extra: Path | None = None) -> Lexicon:
    """The built-in lexicon, with a maker's own file laid over it. Raises PooleyeError for a file of another shape."""
    data = tomllib.loads(resources.files("pooleye.audit").joinpath("lexicon.toml").read_text(encoding="utf-8"))
    if extra is not None:
        own = _read_toml(extra)
        _check(own, extra)
        data = _joined(data, own, "", extra)
    groups = {name: list(entries) for name, entries in data["groups"].items()}
    groups["reach"] = [" ".join(p) for entry in groups["reach"] for p in expand(entry, groups)]
    phrases, compounds = _compile(_entries(data), groups, data["aliases"])
    overlays, overlay_compounds = _compile(_overlay_entries(data), groups, data["aliases"])
    near = tuple(_near_dangers(data))
    words = {word for phrase in itertools.chain(phrases, overlays) for word in phrase}
    words |= {word for _, one, other in near for word in one | other}
    words |= {word for entries in groups.values() for entry in entries for word in entry.split()}
    words |= {
        word
        for table in (compounds, overlay_compounds)
        for found in table.values()
        for c in found
        for part in c.parts
        for phrase in part
        for word in phrase
    }
    plain = frozenset(data["plain"]["words"])
    return Lexicon(
        phrases=phrases,
        overlays=overlays,
        compounds=compounds,
        overlay_compounds=overlay_compounds,
        vocabulary=frozenset(
            words | NUMBER_VOCABULARY | plain | set(data["talk"]["candle_words"]) | set(data["talk"]["check"])
        ),
        plain=plain,
        thing_quantities={name: tuple(thing["quantities"]) for name, thing in data["things"].items()},
        thing_negated={name: thing["negated"] for name, thing in data["things"].items() if "negated" in thing},
        aliases=data["aliases"],
        dangers=frozenset(p[0] for p, found in overlays.items() if len(p) == 1 and found[0].kind == "incident"),
        near_dangers=near,
        harmless=tuple(data["incidents_not"]["words"]),
        longest=max(len(phrase) for phrase in itertools.chain(phrases, overlays)),
    )
