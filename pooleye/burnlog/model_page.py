"""docs/data-model.md, made from the records themselves: `python -m pooleye.burnlog.model_page > docs/data-model.md`."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, Table, UniqueConstraint

from pooleye.burnlog import records
from pooleye.burnlog.columns import Base, UtcTime
from pooleye.burnlog.store import NEWEST

_HEAD = """# Data model

Made by `python -m pooleye.burnlog.model_page`; edit `pooleye/burnlog/records.py` instead. Newest step: {newest}.

One folder holds a burn log:

    pooleye.toml      settings
    burnlog.sqlite    the records (SQLite, WAL, foreign keys on), unless `database` in the settings names a server
    photos/ab/ab…jpg  photos, byte for byte as the camera made them, named by their SHA-256, read-only
    backups/          a whole copy of the records from before each change of their structure

Rules that hold for every record:

- Lengths are in mm, masses in g, temperatures in °C, times in UTC; a time without zone is refused. Where a name ends in
  `_mm`, `_g`, `_c`, `_g_cm3`, `_percent`, `_min` or `_s`, that is the unit.
- One action of a person is one transaction: all of it is kept, or nothing. One writer writes at a time; readers never
  wait.
- Nothing is deleted. An edit leaves a row in `change` with the value before and after, by tool or by hand, who and why.
  A record that should not count is struck out (`voided_at`, `void_reason`). Deleting and bulk changes are refused in
  code.
- A photo has at most one row (its SHA-256 is unique), and one reading for each method and set of inputs. The newest
  reading counts; earlier ones stay. Values taken by hand are rows of their own beside the tool's, never over them.
- What state a candle is in, what is due, burn rates, wax left are worked out from the records when asked, never stored.

A log of any earlier version is brought up to date when it is opened, in one transaction, after a copy was put into
`backups/`; a log of a newer version is left alone. On a server, back up with the server's own tools before an update;
one database holds one log; photos then lie in the
folder that `photos` names, which every bench must reach under the same path. SQLite's WAL needs a local disk: do not
put the folder on a network share, use a server for several benches.
"""


def _kind(column: Column[object]) -> str:
    if column.foreign_keys:
        (key,) = column.foreign_keys
        return f"→ {key.column.table.name}"
    if isinstance(column.type, UtcTime):
        return "time"
    return {"Integer": "whole number", "Double": "number", "Float": "number", "String": "text", "JSON": "JSON",
            "Boolean": "yes or no"}[type(column.type).__name__]  # fmt: skip


def _allowed(table: Table) -> list[str]:
    checks = [str(one.sqltext) for one in table.constraints if isinstance(one, CheckConstraint)]
    unique = [
        " + ".join(column.name for column in one.columns)
        for one in table.constraints
        if isinstance(one, UniqueConstraint)
    ]
    lines = [f"- Checked: `{check}`." for check in sorted(checks)]
    return lines + [f"- Unique: {one}." for one in sorted(unique)]


def _record(model: type[Base]) -> list[str]:
    table: Table = model.__table__  # type: ignore[assignment]
    words = " ".join((model.__doc__ or "").split()).replace("``", "`")
    lines = [f"## {table.name}", "", words, "", "| field | kind | may be empty |", "|---|---|---|"]
    lines += [f"| `{one.name}` | {_kind(one)} | {'yes' if one.nullable else 'no'} |" for one in table.columns]
    allowed = _allowed(table)
    return [*lines, "", *(allowed and [*allowed, ""])]


def as_markdown() -> str:
    """The page, whole."""
    models = [
        one for one in vars(records).values() if isinstance(one, type) and issubclass(one, Base) and one is not Base
    ]
    lines = [line for model in models for line in _record(model)]
    return "\n".join([_HEAD.format(newest=NEWEST), *lines]).rstrip() + "\n"


if __name__ == "__main__":
    print(as_markdown(), end="")
