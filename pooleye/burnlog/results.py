"""What the log's functions return: frozen dataclasses that print themselves and turn into JSON in one place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal, Protocol

from pooleye.measurement import Quantity


@dataclass(frozen=True)
class Advice:
    """Something to act on: ``stop`` comes before all else, ``caution`` next, ``info`` is good to know.

    ``source``: the standard, "common practice, no source", or "the log itself".
    """

    severity: Literal["stop", "caution", "info"]
    name: str
    text: str
    source: str = "the log itself"

    def said(self) -> str:
        """One line, the word of danger first."""
        return {"stop": "STOP: ", "caution": "caution: ", "info": ""}[self.severity] + self.text


PRACTICE = "common practice, no source"


def by_gravity(advice: tuple[Advice, ...]) -> tuple[Advice, ...]:
    """Stops first, then cautions, then the rest."""
    order = ("stop", "caution", "info")
    return tuple(sorted(advice, key=lambda one: order.index(one.severity)))


class Result(Protocol):
    """What every function of the log returns."""

    def said(self) -> list[str]:
        """Lines for a person, a stop first."""
        ...


def with_advice(advice: tuple[Advice, ...], lines: list[str]) -> list[str]:
    """``lines`` with the stops before and the rest of the advice after them."""
    sorted_ = by_gravity(advice)
    stops = [one.said() for one in sorted_ if one.severity == "stop"]
    return stops + lines + [one.said() for one in sorted_ if one.severity != "stop"]


def as_json(value: Any) -> Any:
    """Any result as plain JSON types; times and dates as ISO 8601, quantities as value, u and unit."""
    if isinstance(value, Quantity):
        return {"value": value.value, "u": value.u, "unit": value.unit, "parts": dict(value.parts)}
    if is_dataclass(value) and not isinstance(value, type):
        return {one.name: as_json(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): as_json(one) for key, one in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [as_json(one) for one in value]
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, date):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value
