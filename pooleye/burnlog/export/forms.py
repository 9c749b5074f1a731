"""How a column's values are written in JSON and read back: one form for each type of column, whatever the record."""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

from sqlalchemy import JSON, Boolean, CheckConstraint, Column, Date, DateTime, Float, Integer, Numeric, String, Table

from pooleye.burnlog.columns import UtcTime
from pooleye.burnlog.times import require_zone

_ONE_OF = re.compile(r"^\"?(\w+)\"? IN (\(.*\))$", re.DOTALL)
_TIME = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?Z$"
_DATE = r"^\d{4}-\d\d-\d\d$"
_DECIMAL = r"^-?\d+(\.\d+)?$"


def _same(value: Any) -> Any:
    return value


@dataclass(frozen=True)
class Form:
    """``schema``: JSON Schema of a value that is there. ``back`` raises ValueError for anything else."""

    schema: Mapping[str, Any]
    back: Callable[[Any], Any]
    out: Callable[[Any], Any] = field(default=_same)


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("is no text")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise ValueError("holds half a character") from None
    return value


def _whole(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 2**63:
        raise ValueError("is no whole number")
    return value


def _number(value: Any) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not math.isfinite(value):
        raise ValueError("is no number")
    return float(value)


def _decimal(value: Any) -> Decimal:
    if not re.fullmatch(_DECIMAL, _text(value)):
        raise ValueError("is no decimal number")
    return Decimal(value)


def _yes_or_no(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("is neither true nor false")
    return value


def _time(value: Any) -> datetime:
    if not re.fullmatch(_TIME, _text(value)):
        raise ValueError("is no time in UTC such as 2026-03-01T18:00:00Z")
    return datetime.fromisoformat(value)


def _day(value: Any) -> date:
    if not re.fullmatch(_DATE, _text(value)):
        raise ValueError("is no date such as 2026-03-01")
    return date.fromisoformat(value)


def time_out(moment: datetime) -> str:
    """A time in UTC, exact to the microsecond: 2026-03-01T18:00:00Z."""
    return require_zone(moment).replace(tzinfo=None).isoformat() + "Z"


_UTC = Form({"type": "string", "format": "date-time", "pattern": _TIME}, _time, time_out)
#: Of a type's ancestors, the first one named here tells the form.
_FORMS: Mapping[type, Form] = {
    UtcTime: _UTC,
    DateTime: _UTC,
    Date: Form({"type": "string", "format": "date", "pattern": _DATE}, _day, date.isoformat),
    Boolean: Form({"type": "boolean"}, _yes_or_no),
    Integer: Form({"type": "integer"}, _whole),
    # repr of a float is the shortest text that reads back as the very same number, and that is what JSON gets.
    Float: Form({"type": "number"}, _number),
    Numeric: Form({"type": "string", "pattern": _DECIMAL}, _decimal, "{:f}".format),
    String: Form({"type": "string"}, _text),
    JSON: Form({}, _same),
}


def _of_type(column: Column[Any]) -> Form:
    return next(_FORMS[kind] for kind in type(column.type).__mro__ if kind in _FORMS)


def choices(table: Table) -> dict[str, tuple[str, ...]]:
    """Column -> the only values it may hold, as the table's own checks say."""
    checks = [str(one.sqltext) for one in table.constraints if isinstance(one, CheckConstraint)]
    return {found[1]: _tuple(found[2]) for check in checks if (found := _ONE_OF.match(check))}


def _tuple(text: str) -> tuple[str, ...]:
    values = ast.literal_eval(text)
    return values if isinstance(values, tuple) else (values,)


def _form_of(column: Column[Any]) -> Form:
    """The form of a column: its type's, narrowed by its list of values and its pattern."""
    form = _of_type(column)
    allowed = choices(column.table).get(column.name)
    pattern = column.info.get("pattern")
    more = ({"enum": list(allowed)} if allowed else {}) | ({"pattern": pattern} if pattern else {})

    def back(value: Any) -> Any:
        read = form.back(value)
        if allowed and read not in allowed:
            raise ValueError(f"is none of {', '.join(allowed)}")
        if pattern and not re.search(pattern, read):
            raise ValueError("does not have the right form")
        return read

    return Form({**form.schema, **more}, back, form.out)


@cache
def forms_of(table: Table) -> Mapping[str, Form]:
    """Column -> form, in the table's order."""
    return {column.name: _form_of(column) for column in table.columns}


def record_out(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row as JSON types; what is empty is null."""
    return {name: None if row[name] is None else form.out(row[name]) for name, form in forms_of(table).items()}


def record_back(table: Table, read: Any) -> dict[str, Any]:
    """A row from JSON types. Raises ValueError, naming the field."""
    forms = forms_of(table)
    if not isinstance(read, dict) or read.keys() != forms.keys():
        raise ValueError(_not_the_fields(read, forms))
    row: dict[str, Any] = {}
    for name, form in forms.items():
        try:
            row[name] = None if read[name] is None and table.columns[name].nullable else form.back(read[name])
        except ValueError as error:
            raise ValueError(f"{name} {error}: {str(read[name])[:60]!r}") from None
    return row


def _not_the_fields(read: Any, forms: Mapping[str, Form]) -> str:
    if not isinstance(read, dict):
        return "is no record"
    wrong = [f"has no {name}" for name in forms.keys() - read.keys()]
    return sorted(wrong + [f"has an unknown field {name!r}" for name in read.keys() - forms.keys()])[0]
