"""A note filed in the log is read at once."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import select

from pooleye.audit import note_filing
from pooleye.audit.note_filing import INCIDENT_KINDS, file_note
from pooleye.audit.reading import READER
from pooleye.burnlog.burns import light
from pooleye.burnlog.looks import INCIDENTS
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Claim, Incident, Note
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, with_clock

T0 = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@pytest.fixture
def burning(tmp_path: Path) -> Iterator[tuple[Workspace, str]]:
    """A log with one candle an hour alight."""
    made = create_workspace(tmp_path / "log", Settings())
    workspace = with_clock(made, T0)
    alike = CandleSet(1, "jar", "wick 3", rim_inner_mm=75.0)
    (code,) = pour(workspace, Recipe("soy"), [alike], at=T0 - timedelta(days=30)).codes
    light(workspace, [code])
    yield with_clock(made, T0 + timedelta(minutes=60)), code
    made.close()


def test_claims_are_kept_beside_the_words_they_were_read_from(burning: tuple[Workspace, str]) -> None:
    workspace, code = burning
    words = "Slight soot on the left, pool about half way"
    filed = file_note(workspace, code, words, tester="Ida")
    assert filed.note.place.checkpoint_minutes == 60
    with workspace.read() as session:
        note = session.scalars(select(Note)).one()
        kept = session.scalars(select(Claim).order_by(Claim.place)).all()
        assert note.text == words
        assert {one.reader for one in kept} == {READER}
        assert [(one.quantity, one.state) for one in kept] == [(one.quantity, one.state) for one in filed.claims]
        assert ("soot", "slight") in [(one.quantity, one.state) for one in kept]


def test_words_of_danger_are_answered_first_and_wait_for_confirmation(burning: tuple[Workspace, str]) -> None:
    workspace, code = burning
    filed = file_note(workspace, code, "all fine so far, then the glass cracked")
    assert filed.said()[0].startswith("STOP: ")
    assert f"pooleye incident {code} cracked" in filed.said()[0]
    with workspace.read() as session:
        assert session.scalars(select(Incident)).all() == []


def test_every_danger_that_a_note_can_name_leads_to_an_incident_or_a_warning() -> None:
    lexicon = tomllib.loads((Path(note_filing.__file__).parent / "lexicon.toml").read_text("utf-8"))
    kinds = set(lexicon["incidents"])
    assert kinds
    assert kinds <= set(INCIDENT_KINDS)
    assert {kind for kind in INCIDENT_KINDS.values() if kind} <= set(INCIDENTS)
