"""Exactly once: a form that a phone sends again after a lost answer changes nothing the second time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, fields

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog.history import Author
from pooleye.burnlog.records import SentForm
from pooleye.burnlog.store import Workspace


class KeptBefore(Exception):  # noqa: N818 - no error: what was asked is done already
    """What this key stands for is in the log already; nothing was changed."""


@dataclass(frozen=True)
class OnceWorkspace(Workspace):
    """A workspace whose first write also keeps a key, in the same transaction; raises KeptBefore if it is there.

    So a kill at any moment leaves both the key and what was asked, or neither. Writers wait for each other (see
    `Workspace.write`), so of two at once the second sees the first one's key.
    """

    key: str = ""
    what: str = ""
    _begun: list[bool] = field(default_factory=list, repr=False)

    @contextmanager
    def write(self, author: Author | None = None) -> Iterator[Session]:
        """As any workspace's."""
        with super().write(author) as session:
            if not self._begun:
                if session.scalar(select(SentForm.id).where(SentForm.key == self.key)) is not None:
                    raise KeptBefore(self.key)
                session.add(SentForm(key=self.key, what=self.what))
            yield session
        self._begun.append(True)


def once(workspace: Workspace, key: str, what: str) -> OnceWorkspace:
    """The same workspace, for one action that ``key`` stands for."""
    same = {one.name: getattr(workspace, one.name) for one in fields(Workspace)}
    return OnceWorkspace(**same, key=key, what=what)
