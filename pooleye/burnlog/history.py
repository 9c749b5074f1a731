"""Edits keep the earlier value and who changed it; deleting is refused. Both hold for every record, in one place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import event, inspect
from sqlalchemy.orm import ORMExecuteState, Session

from pooleye.burnlog.columns import Base
from pooleye.burnlog.records import Change


@dataclass(frozen=True)
class Author:
    """Who writes: the tool, or a hand (whose, if said) and why."""

    by: str = "hand"
    who: str | None = None
    why: str | None = None


def _plain(value: Any) -> dict[str, Any]:
    return {"value": value.isoformat() if isinstance(value, datetime) else value}


def _edits(record: Base) -> Iterator[tuple[str, Any, Any]]:
    """Fields of a stored record whose value is about to change, with the value before and after."""
    state = inspect(record)
    for column in state.mapper.column_attrs:
        history = state.attrs[column.key].history
        before, after = list(history.deleted or ()), list(history.added or ())
        if before and after and before[0] != after[0]:
            yield column.key, before[0], after[0]
    yield from _moved_links(record)


def _moved_links(record: Base) -> Iterator[tuple[str, Any, Any]]:
    """Links to another record that are about to change: their key columns follow only while the change is written."""
    state = inspect(record)
    for link in state.mapper.relationships:
        if link.uselist:
            continue
        history = state.attrs[link.key].load_history()
        # A link that was empty before has nothing among what was deleted.
        before, after = [*(history.deleted or ()), None], list(history.added or ())
        if after and before[0] is not after[0]:
            yield link.key, getattr(before[0], "id", None), getattr(after[0], "id", None)


def _write_history(session: Session, _context: object, _instances: object) -> None:
    if session.deleted:
        raise RuntimeError(f"records are struck out, never deleted: {list(session.deleted)}")
    author: Author = session.info["author"]
    for record in list(session.dirty):
        for field, before, after in _edits(record):
            change = {"before": _plain(before), "after": _plain(after)}
            about = {"record": record.__tablename__, "record_id": record.id, "field": field}
            session.add(Change(**about, **change, by=author.by, who=author.who, why=author.why))


def _refuse_bulk(state: ORMExecuteState) -> None:
    if state.is_update or state.is_delete:
        raise RuntimeError("bulk UPDATE and DELETE would pass by the history: change records one by one")


def keep_history(session: Session, author: Author) -> None:
    """From now on ``session`` writes a ``Change`` for every edit as ``author`` and refuses to delete."""
    session.info["author"] = author
    event.listen(session, "before_flush", _write_history)
    event.listen(session, "do_orm_execute", _refuse_bulk)
