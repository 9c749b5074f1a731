"""docs/log.schema.json, made from the records themselves: `pooleye export schema --out docs/log.schema.json`."""

from __future__ import annotations

import json
import re
from typing import Any, get_args, get_type_hints

from sqlalchemy import JSON, Column, Table

from pooleye.burnlog.columns import Base
from pooleye.burnlog.export.forms import forms_of
from pooleye.burnlog.export.whole_log import FORMAT, OF_THE_PLACE, OWN_FILES, tables
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import NEWEST

_JSON_KINDS: dict[Any, dict[str, Any]] = {
    dict[str, Any]: {"type": "object"},
    list[str]: {"type": "array", "items": {"type": "string"}},
}
_SETTINGS: dict[type, dict[str, Any]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    float: {"type": "number"},
    tuple: {"type": "array", "items": {"type": "number"}, "minItems": 1},
}


def _models() -> dict[str, type[Base]]:
    return {one.local_table.name: one.class_ for one in Base.registry.mappers}  # type: ignore[attr-defined]


def _words(model: type[Base]) -> str:
    return re.sub(r"``", "`", " ".join((model.__doc__ or "").split()))


def _json_kind(model: type[Base], column: Column[Any]) -> dict[str, Any]:
    """What a JSON column holds, by the record's own annotation: `Mapped[list[str]]`."""
    (kept,) = get_args(get_type_hints(model)[column.key])
    return next(_JSON_KINDS[one] for one in (kept, *get_args(kept)) if one in _JSON_KINDS)


def _value(model: type[Base], table: Table, column: Column[Any]) -> dict[str, Any]:
    schema = dict(forms_of(table)[column.name].schema)
    if isinstance(column.type, JSON):
        schema |= _json_kind(model, column)
    if column.nullable:
        schema["type"] = [schema["type"], "null"]
        if "enum" in schema:
            schema["enum"] = [*schema["enum"], None]
    for key in column.foreign_keys:
        schema["description"] = f"the id of a {key.column.table.name}"
    return schema


def _record(table: Table) -> dict[str, Any]:
    model = _models()[table.name]
    fields = {column.name: _value(model, table, column) for column in table.columns}
    return _closed(fields, description=_words(model))


def _closed(fields: dict[str, Any], **more: Any) -> dict[str, Any]:
    """An object with these fields, all of them, and no others."""
    return {"type": "object", **more, "properties": fields, "required": list(fields), "additionalProperties": False}


def _settings() -> dict[str, Any]:
    kept = {name: value for name, value in vars(Settings()).items() if name not in OF_THE_PLACE}
    return {
        "type": "object",
        "properties": {name: _SETTINGS[type(value)] for name, value in kept.items()},
        "additionalProperties": False,
    }


def log_schema() -> dict[str, Any]:
    """JSON Schema of the whole log at the newest step."""
    records = _closed({table.name: {"type": "array", "items": _record(table)} for table in tables()})
    head = {
        "format": {"const": FORMAT},
        "step": {"const": NEWEST, "description": "step of the records' structure"},
        "pooleye": {"type": "string", "description": "version that wrote the file"},
        "written_at": {"type": "string", "format": "date-time"},
        "settings": _settings(),
        "files": {
            "type": "object",
            "description": "the maker's own files beside the log, whole",
            "properties": {name: {"type": "string"} for name in OWN_FILES},
            "additionalProperties": False,
        },
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": FORMAT,
        "description": "A whole burn log as `pooleye export json` writes it. Lengths in mm, masses in g, temperatures"
        " in °C, times in UTC. A name that ends in _id holds the id of another record.",
        **_closed({**head, "records": records}),
    }


def schema_text() -> str:
    """The schema as it lies in docs/log.schema.json."""
    return json.dumps(log_schema(), indent=1, ensure_ascii=False) + "\n"
