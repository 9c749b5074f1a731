"""Judgements kept in the log: which rule, how grave, on what evidence, and its source. Nothing is judged here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import bench, find
from pooleye.burnlog.history import Author
from pooleye.burnlog.records import Finding, Trial
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError


@dataclass(frozen=True)
class Found:
    """One judgement. About a candle (and a burn and checkpoint of it) or about a trial."""

    rule: str
    severity: str
    text: str
    source: str
    evidence: dict[str, Any] = field(default_factory=dict)
    candle: str | None = None
    burn: int | None = None
    checkpoint_minutes: float | None = None
    trial: str | None = None


def _keys(session: Session, found: Found) -> dict[str, int | None]:
    keys: dict[str, int | None] = dict.fromkeys(("candle_id", "burn_id", "checkpoint_id", "trial_id"))
    if found.trial is not None:
        keys["trial_id"] = find.named(session, Trial, found.trial).id
    if found.candle is None:
        return keys
    candle = find.candle(session, found.candle)
    burn = bench.numbered_burn(candle, found.burn)
    if found.burn is not None and burn is None:
        text = f"{candle.code} has had no burn {found.burn}"
        raise PooleyeError("unknown-burn", text, hint=f"see its burns: pooleye show {candle.code}")
    point = None
    if burn is not None and found.checkpoint_minutes is not None:
        point = bench.checkpoint_record(session, burn, found.checkpoint_minutes).id
    return keys | {"candle_id": candle.id, "burn_id": burn.id if burn else None, "checkpoint_id": point}


def keep_findings(workspace: Workspace, findings: Sequence[Found]) -> int:
    """Keep judgements; one that is there already, word for word, is not kept twice. Returns how many are new."""
    new = 0
    with workspace.write(Author("tool")) as session:
        for found in findings:
            about = {"rule": found.rule, "severity": found.severity, "text": found.text, "source": found.source}
            about_all: dict[str, Any] = about | _keys(session, found)
            same = session.scalars(select(Finding).filter_by(**about_all)).all()
            if any(one.evidence == found.evidence for one in same):
                continue
            session.add(Finding(**about_all, evidence=dict(found.evidence)))
            session.flush()
            new += 1
    return new
