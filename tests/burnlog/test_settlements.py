"""Contradictions settled by hand are kept on either database, and in a log of an earlier version once it is opened."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.exc import IntegrityError

from pooleye.audit import service
from pooleye.audit.note_filing import file_note
from pooleye.burnlog.burns import light
from pooleye.burnlog.looks import measure_by_hand
from pooleye.burnlog.records import Settlement
from pooleye.burnlog.store import Workspace


def test_a_settled_contradiction_reads_back_whole(workspace: Workspace, three: Callable[..., Any], clock: Any) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(hours=1)
    measure_by_hand(workspace, code, "heat", 24.0)
    noted = file_note(workspace, code, "jar is hot, flame steady", tester="Ida")
    (row,) = service.audit_of(workspace, [code]).contradictions
    assert row.id == f"{noted.note.note_id}.1"
    service.settle(workspace, row.id, "both-wrong", by="Tom", why="thermometer in the shade")
    with workspace.read() as session:
        kept = session.scalars(select(Settlement)).one()
        assert (kept.verdict, kept.who, kept.measured, kept.value) == ("both-wrong", "Tom", "vessel_temperature", 24.0)
        assert kept.claimed["words"] == "jar is hot"
    (again,) = service.audit_of(workspace, [code]).contradictions
    assert again.settlement is not None
    assert again.settlement.why == "thermometer in the shade"


def test_a_verdict_outside_the_list_is_refused_by_the_database_itself(
    workspace: Workspace, three: Callable[..., Any]
) -> None:
    code, *_ = three(workspace)
    noted = file_note(workspace, code, "no soot")
    with pytest.raises(IntegrityError), workspace.write() as session:
        session.add(Settlement(note_id=noted.note.note_id, claimed={}, verdict="perhaps"))
