"""The whole log as one JSON document: every record of every table, in the fields that the records themselves have."""

from __future__ import annotations

import codecs
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, TextIO

from sqlalchemy import Table, select
from sqlalchemy.orm import Session

import pooleye
from pooleye.burnlog.columns import Base
from pooleye.burnlog.export.forms import record_back, record_out, time_out
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import NEWEST, Workspace
from pooleye.errors import PooleyeError

FORMAT = "pooleye burn log"
#: Where a folder keeps its records and photos says nothing about the log, and a database's address may hold a password.
OF_THE_PLACE = frozenset({"database", "photos"})
#: A maker's own files beside the log: by them it is judged, so it would not be the same without.
OWN_FILES = ("criteria.toml",)
_HINT = "give a file that pooleye export json wrote"

Row = dict[str, Any]


@dataclass(frozen=True)
class Document:
    """A document as read: ``step`` of the records' structure, settings, own files, records of each table, as JSON."""

    step: str
    settings: Mapping[str, Any]
    files: Mapping[str, str]
    records: Mapping[str, list[Any]]


def tables() -> list[Table]:
    """Every table of the log; those that others point at come first."""
    return Base.metadata.sorted_tables


def stored(session: Session, table: Table) -> Iterator[Row]:
    """A table's rows by number, a few at a time."""
    result = session.execute(select(table).order_by(table.c.id).execution_options(yield_per=500))
    return (dict(row) for row in result.mappings())


def settings_out(settings: Settings) -> dict[str, Any]:
    """The settings that belong to the log."""
    return {name: value for name, value in asdict(settings).items() if name not in OF_THE_PLACE}


def own_files(workspace: Workspace) -> dict[str, str]:
    """Name -> text of the maker's own files that are there. Raises PooleyeError for what is no text."""
    found = {}
    for path in (workspace.root / name for name in OWN_FILES):
        if path.is_file():
            try:
                found[path.name] = path.read_bytes().decode("utf-8")
            except UnicodeDecodeError:
                text = f"{path} is no text in UTF-8"
                raise PooleyeError("not-exportable", text, hint="save it as UTF-8, or move it away") from None
    return found


def write(workspace: Workspace, session: Session, target: TextIO) -> int:
    """Write the document, one record a line, and return the number of records.

    The file needs no more memory than a few records, and two exports can be compared line by line.
    """
    head = {
        "format": FORMAT,
        "step": NEWEST,
        "pooleye": pooleye.__version__,
        "written_at": time_out(workspace.now()),
        "settings": settings_out(workspace.settings),
        "files": own_files(workspace),
    }
    target.write("{\n" + "".join(f"{json.dumps(key)}: {_json(value)},\n" for key, value in head.items()))
    target.write('"records": {')
    count = 0
    for place, table in enumerate(tables()):
        target.write(f"{',' if place else ''}\n{json.dumps(table.name)}: [")
        for number, row in enumerate(stored(session, table)):
            target.write(f"{',' if number else ''}\n{_line(table, row)}")
            count += 1
        target.write("]")
    target.write("}\n}\n")
    return count


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


def _line(table: Table, row: Row) -> str:
    try:
        return _json(record_out(table, row))
    except ValueError:
        text = f"record {row['id']} of {table.name} holds a number that is not finite"
        raise PooleyeError("not-exportable", text, hint=f"correct it: pooleye correct {table.name} …") from None


def read(data: bytes, name: str) -> Document:
    """A document from a file's bytes; records are looked at later. Raises PooleyeError: not-a-log, log-too-new."""
    if data.startswith(codecs.BOM_UTF8):
        data = data[len(codecs.BOM_UTF8) :]
    try:
        found = json.loads(data.decode("utf-8"), parse_constant=_finite, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise PooleyeError("not-a-log", f"{name} is no whole JSON: {str(error)[:120]}", hint=_HINT) from None
    if not isinstance(found, dict) or found.get("format") != FORMAT:
        raise PooleyeError("not-a-log", f"{name} is JSON, but no exported burn log", hint=_HINT)
    step = found.get("step")
    if not isinstance(step, str):
        raise PooleyeError("not-a-log", f"{name} lacks its step", hint=_HINT)
    if step > NEWEST:
        text = f"{name} was written by a newer pooleye (step {step}; this one knows {NEWEST})"
        raise PooleyeError("log-too-new", text, hint="bring pooleye up to date, then import it again")
    settings, files, records = (_part(found, part, name) for part in ("settings", "files", "records"))
    texts = [*files.values(), *(one for one in settings.values() if isinstance(one, str))]
    if not files.keys() <= set(OWN_FILES) or not all(map(_is_text, texts)):
        text = f"{name} brings files other than {', '.join(OWN_FILES)}, or what is no text"
        raise PooleyeError("not-a-log", text, hint=_HINT)
    if not all(isinstance(rows, list) for rows in records.values()):
        raise PooleyeError("not-a-log", f"{name}: the records of a table must be a list", hint=_HINT)
    return Document(step, settings, files, records)


def _part(found: dict[str, Any], part: str, name: str) -> dict[str, Any]:
    if not isinstance(held := found.get(part), dict):
        raise PooleyeError("not-a-log", f"{name} lacks its {part}", hint=_HINT)
    return held


def _is_text(value: Any) -> bool:
    """Whether it can be written to a file: JSON can hold halves of characters."""
    return isinstance(value, str) and not any("\ud800" <= one <= "\udfff" for one in value)


def _finite(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError(f"{text} is no number that can be kept")
    return number


def rows_of(document: Document, name: str, among: Mapping[str, Table]) -> dict[str, list[Row]]:
    """Table -> rows, every value checked against its column. Raises PooleyeError naming table, record and field."""
    if document.records.keys() != among.keys():
        odd = ", ".join(sorted(document.records.keys() ^ among.keys()))
        raise PooleyeError("bad-record", f"{name} lacks or adds whole tables: {odd}", hint=_HINT)
    return {table: [_row(name, among[table], *one) for one in enumerate(document.records[table], 1)] for table in among}


def _row(name: str, table: Table, number: int, read: Any) -> Row:
    try:
        return record_back(table, read)
    except ValueError as error:
        text = f"{name}: {table.name}, record {number} in the list: {error}"
        raise PooleyeError("bad-record", text, hint="nothing was changed; export it anew, or mend that line") from None
