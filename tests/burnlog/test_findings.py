"""Judgements are kept once, with their evidence and source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from pooleye.burnlog.burns import light
from pooleye.burnlog.findings import Found, keep_findings
from pooleye.burnlog.records import Burn, Checkpoint, Finding
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError


def test_a_finding_reads_back_whole_and_is_not_kept_twice(workspace: Workspace, three: Callable[..., Any]) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    found = Found(
        "flame-height",
        "stop",
        "the flame is 80 ± 1 mm high",
        "EN 15493 (second-hand summary)",
        {"flame_height": {"value": 80.0, "u": 1.0, "unit": "mm"}},
        candle=code,
        burn=1,
        checkpoint_minutes=60.0,
    )
    assert keep_findings(workspace, [found, found]) == 1
    assert keep_findings(workspace, [found]) == 0
    with workspace.read() as session:
        kept = session.query(Finding).one()
        assert (kept.rule, kept.severity, kept.text, kept.source) == (
            found.rule, found.severity, found.text, found.source,
        )  # fmt: skip
        assert kept.evidence == found.evidence
        burn = session.get_one(Burn, kept.burn_id)
        assert (burn.candle.code, burn.number) == (code, 1)
        assert session.get_one(Checkpoint, kept.checkpoint_id).minutes == 60.0
    assert keep_findings(workspace, [replace(found, evidence={})]) == 1


def test_a_finding_about_a_burn_that_was_not_is_refused(workspace: Workspace, three: Callable[..., Any]) -> None:
    code, *_ = three(workspace)
    with pytest.raises(PooleyeError):
        keep_findings(workspace, [Found("rule", "info", "text", "source", candle=code, burn=3)])
