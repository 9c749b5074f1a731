"""The limits everything is judged by: read from `criteria.toml`, a maker's own file laid over it; with sources."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from pooleye.errors import PooleyeError
from pooleye.measurement import after_number

Severity = Literal["stop", "watch"]
Means = Literal["hot", "cool", "danger", "note", "both"]
PLACES = ("look", "end", "burn", "life", "trial", "check", "set")
BASES = {
    "standard": "a standard",
    "paper": "a paper",
    "advice": "published safety advice",
    "practice": "common practice, no source",
    "memory": "from memory",
    "judged": "judged here",
}
#: What a maker's own file may change; the rest says what the criterion is.
CHANGEABLE = ("most", "least", "burns", "severity")


@dataclass(frozen=True)
class Criterion:
    """One limit or window; the fields are explained at the top of `criteria.toml`.

    `own` tells that a maker's file changed it. Raises ValueError for a criterion that cannot be applied.
    """

    key: str
    what: str
    quantity: str
    at: str
    unit: str
    severity: Severity
    means: Means
    source: str
    basis: str
    most: float | None = None
    least: float | None = None
    burns: str = "all"
    vessels: str = "any"
    bore_mm: tuple[float, float] | None = None
    from_min: float = 0.0
    above: str = ""
    below: str = ""
    strict: bool = False
    alone: bool = False
    own: bool = False

    def __post_init__(self) -> None:
        if self.most is None and self.least is None:
            raise ValueError(f"{self.key} has no limit")
        if self.most is not None and self.least is not None and self.least > self.most:
            raise ValueError(f"{self.key}: least {self.least:g} is above most {self.most:g}")
        if self.at not in PLACES or self.basis not in BASES or not self.source.strip():
            raise ValueError(f"{self.key} does not say where it applies or where it is from")
        if (self.most is not None and not self.above) or (self.least is not None and not self.below):
            raise ValueError(f"{self.key} has no words for a value outside")
        _burn_range(self.burns)

    def applies_to_burn(self, number: int) -> bool:
        """Whether it is meant for the burn of this number."""
        first, last = _burn_range(self.burns)
        return first <= number and (last is None or number <= last)

    def applies_to_vessel(self, kind: str, bore_mm: float) -> bool:
        """Whether it is meant for this kind of vessel and inner diameter."""
        fits = self.bore_mm is None or self.bore_mm[0] <= bore_mm < self.bore_mm[1]
        return fits and self.vessels in ("any", kind)

    @property
    def window(self) -> str:
        """The limit in words: "at most 75 mm"."""
        unit = after_number(self.unit)
        if self.most is None:
            return f"at least {self.least:g}{unit}"
        if self.least is None:
            return f"at most {self.most:g}{unit}"
        return f"{self.least:g} to {self.most:g}{unit}"

    @property
    def cited(self) -> str:
        """The source, and whether the maker changed the figure."""
        return f"own figure, in place of: {self.source}" if self.own else self.source


def _burn_range(text: str) -> tuple[int, int | None]:
    """ "all", "3", "1-2" or "3-" as (first, last); last None = to the end. ValueError for anything else."""
    if text == "all":
        return 1, None
    first, dash, last = text.partition("-")
    if not first.isdigit() or (last and not last.isdigit()) or int(first) < 1:
        raise ValueError(f"burns = {text!r} is no range of burn numbers")
    return int(first), (int(last) if last else None if dash else int(first))


@dataclass(frozen=True)
class Criteria:
    """All criteria, by key."""

    by_key: Mapping[str, Criterion]

    def __getitem__(self, key: str) -> Criterion:
        return self.by_key[key]

    def __iter__(self) -> Iterator[Criterion]:
        return iter(self.by_key.values())

    def at(self, place: str) -> tuple[Criterion, ...]:
        """Those that apply at a place (`look`, `end`, ...)."""
        return tuple(one for one in self if one.at == place)

    def most(self, key: str) -> float:
        """The upper figure of a criterion that has one."""
        value = self[key].most
        assert value is not None
        return value

    def least(self, key: str) -> float:
        """The lower figure of a criterion that has one."""
        value = self[key].least
        assert value is not None
        return value


def _criterion(key: str, table: Mapping[str, Any]) -> Criterion:
    values = dict(table)
    if "bore_mm" in values:
        values["bore_mm"] = tuple(values["bore_mm"])
    return Criterion(key=key, **values)


@lru_cache(maxsize=1)
def shipped() -> Criteria:
    """The criteria that come with the program."""
    text = files("pooleye.judge").joinpath("criteria.toml").read_text("utf-8")
    return Criteria({key: _criterion(key, table) for key, table in tomllib.loads(text).items()})


def load_criteria(own: Path | None = None) -> Criteria:
    """The shipped criteria with a maker's own file laid over them.

    Raises PooleyeError for a file that cannot be read, an unknown key or field (naming the nearest), a wrong type, and
    a figure looser than a strict one.
    """
    base = shipped()
    if own is None:
        return base
    changed = dict(base.by_key)
    for key, table in _read(own).items():
        if key not in changed:
            raise _unknown(own, "criterion", key, tuple(changed))
        changed[key] = _overridden(own, changed[key], table)
    return Criteria(changed)


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        raise PooleyeError("no-criteria-file", f"{path} is not there", hint="check the name") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        text = f"{path} cannot be read: {error}"
        raise PooleyeError("bad-criteria-file", text, hint="see the form: pooleye criteria --toml") from None


def _unknown(path: Path, word: str, name: str, known: tuple[str, ...]) -> PooleyeError:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
    hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known[:8])} …; all: pooleye criteria"
    return PooleyeError(f"unknown-{word}", f"{path} has an unknown {word} “{name}”", hint=hint)


def _overridden(path: Path, criterion: Criterion, table: Any) -> Criterion:
    if not isinstance(table, dict):
        text = f"{path}: {criterion.key} must be a table"
        raise PooleyeError("bad-criterion", text, hint=f"write [{criterion.key}] and below it: most = 5.0")
    for name, value in table.items():
        if name not in CHANGEABLE:
            raise _unknown(path, "field", name, CHANGEABLE)
        _check_type(path, criterion, name, value)
    values: dict[str, Any] = {name: float(value) if isinstance(value, int) else value for name, value in table.items()}
    try:
        own = replace(criterion, **values, own=True)
    except ValueError as error:
        raise PooleyeError("bad-criterion", f"{path}: {error}", hint="see: pooleye criteria") from None
    _refuse_looser(path, criterion, own)
    if own.quantity == "confidence" and not 0.5 <= (own.least or 0.0) < 1:
        text = f"{path}: {own.key} must be a share from 0.5 to below 1"
        raise PooleyeError("bad-criterion", text, hint="least = 0.9")
    return own


def _check_type(path: Path, criterion: Criterion, name: str, value: Any) -> None:
    right = isinstance(value, str) if name in ("burns", "severity") else isinstance(value, int | float)
    if name == "severity" and value not in ("stop", "watch"):
        right = False
    if not right or isinstance(value, bool):
        text = f"{path}: {criterion.key}.{name} cannot be {value!r}"
        hint = "severity = stop or watch; burns = 1-2 or all; most and least are numbers"
        raise PooleyeError("bad-criterion", text, hint=hint)


def _refuse_looser(path: Path, base: Criterion, own: Criterion) -> None:
    """Safety figures may be tightened by a maker, never loosened."""
    looser = (
        (base.most is not None and (own.most is None or own.most > base.most))
        or (base.least is not None and (own.least is None or own.least < base.least))
        or (base.severity == "stop" and own.severity != "stop")
        or (own.burns != base.burns)
    )
    if base.strict and looser:
        text = f"{path} makes {base.key} ({base.window}) looser, which is not allowed: {base.source}"
        raise PooleyeError("looser-than-allowed", text, hint="make it stricter or leave it out")


def as_lines(criteria: Criteria) -> list[str]:
    """Every criterion for reading: key, window, burns, what happens, source."""
    lines = []
    for one in criteria:
        burns = "" if one.burns == "all" else f", burns {one.burns}"
        lines.append(f"{one.key}: {one.what}: {one.window}{burns} [{one.severity}]{' (own)' if one.own else ''}")
        lines.append(f"    {_sourced(one)}")
    return lines


def _sourced(one: Criterion) -> str:
    """The source, its kind before it unless it says so itself."""
    kind = BASES[one.basis]
    return one.source if one.source.startswith(kind.split()[0]) else f"{kind}: {one.source}"


_TITLES = {
    "look": "At every look",
    "end": "At the end of a burn",
    "burn": "The burn as a whole",
    "life": "The candle's life",
    "trial": "Between candles",
    "check": "Is the record possible",
    "set": "Figures",
}


def as_markdown(criteria: Criteria) -> str:
    """docs/criteria.md, whole."""
    lines = ["# Criteria", "", "Made by `pooleye criteria --markdown`; edit `pooleye/judge/criteria.toml` instead.", ""]
    lines += ["A value is outside only if the limit lies more than two standard uncertainties away; a limit within"]
    lines += ["±2u is *too close to call*, which is no pass. How they are used: [judgement.md](judgement.md).", ""]
    for place, title in _TITLES.items():
        lines += [f"## {title}", "", "| key | what | window | burns | vessels | if outside | basis | source |"]
        lines += ["|---|---|---|---|---|---|---|---|", *(_row(one) for one in criteria.at(place)), ""]
    return "\n".join(lines)


def _row(one: Criterion) -> str:
    vessels = one.vessels if one.bore_mm is None else f"{one.vessels}, bore {one.bore_mm[0]:g} to {one.bore_mm[1]:g} mm"
    from_min = f" (from {one.from_min:g} min)" if one.from_min else ""
    outside = " ".join(part for part in (one.above, one.below) if part)
    strict = "; may only be tightened" if one.strict else ""
    cells = (f"`{one.key}`", one.what, one.window + from_min, one.burns, vessels)
    return "| " + " | ".join((*cells, f"**{one.severity}**{strict}: {outside}", BASES[one.basis], one.source)) + " |"
