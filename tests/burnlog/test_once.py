"""A form that a phone sends again is kept once, on either database, whatever happens in between."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import func, select

from pooleye.audit.note_filing import file_note
from pooleye.burnlog import looks
from pooleye.burnlog.burns import light
from pooleye.burnlog.once import KeptBefore, once
from pooleye.burnlog.records import Burn, Claim, Note, SentForm
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

Three = Callable[..., tuple[str, ...]]


def count(workspace: Workspace, model: type) -> int:
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


def test_the_same_key_does_the_same_thing_once(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    light(once(workspace, "a" * 32, "light"), [code])
    with pytest.raises(KeptBefore):
        light(once(workspace, "a" * 32, "light"), [code])
    assert (count(workspace, Burn), count(workspace, SentForm)) == (1, 1)


def test_an_action_of_several_steps_is_done_whole(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    file_note(once(workspace, "b" * 32, "note"), code, "soot on the left")
    assert (count(workspace, Note), count(workspace, Claim), count(workspace, SentForm)) == (1, 1, 1)


def test_what_was_refused_may_be_sent_again_under_the_same_key(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)
    with pytest.raises(PooleyeError):
        looks.measure_by_hand(once(workspace, "c" * 32, "heat"), code, "heat", 9999.0)
    with pytest.raises(PooleyeError):
        looks.note(once(workspace, "c" * 32, "note"), "nobody", "soot")
    assert count(workspace, SentForm) == 0
    looks.measure_by_hand(once(workspace, "c" * 32, "heat"), code, "heat", 61.0)
    assert count(workspace, SentForm) == 1


def test_of_many_at_once_one_is_kept(workspace: Workspace, three: Three) -> None:
    code, *_ = three(workspace)

    def send(_: int) -> bool:
        try:
            looks.note(once(workspace, "d" * 32, "note"), code, "flame steady")
        except KeptBefore:
            return False
        return True

    with ThreadPoolExecutor(8) as many:
        kept = list(many.map(send, range(16)))
    assert sum(kept) == 1
    assert count(workspace, Note) == 1


def test_an_action_that_dies_half_way_leaves_neither_key_nor_entry(
    workspace: Workspace, three: Three, monkeypatch: pytest.MonkeyPatch
) -> None:
    code, *_ = three(workspace)

    class Pulled(BaseException):
        """The plug."""

    def pulled(*_: object) -> None:
        raise Pulled

    monkeypatch.setattr(looks.bench, "ids_of", pulled)
    with pytest.raises(Pulled):
        looks.note(once(workspace, "e" * 32, "note"), code, "flame steady")
    monkeypatch.undo()
    assert (count(workspace, Note), count(workspace, SentForm)) == (0, 0)
