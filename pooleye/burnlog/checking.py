"""Is everything still there? The database's structure, and every photo against the hash it was filed under."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select

from pooleye.burnlog.filing import unmeasured
from pooleye.burnlog.photo_files import damaged, place_of
from pooleye.burnlog.records import Photo
from pooleye.burnlog.store import Workspace, check_log


@dataclass(frozen=True)
class Checked:
    """What was found. ``strays``: kept files that no photo speaks of (a kill before filing); they do no harm."""

    photos: int
    unmeasured: int
    database: tuple[str, ...]
    damaged: tuple[tuple[str, str], ...]
    strays: int

    @property
    def sound(self) -> bool:
        """Whether nothing is missing or changed."""
        return not self.database and not self.damaged

    def said(self) -> list[str]:
        """The verdict, then each fault."""
        verdict = "everything is sound" if self.sound else "NOT sound: keep this folder as it is, and use a backup"
        lines = [f"{verdict}: {self.photos} photos, {self.unmeasured} of them not measured yet"]
        lines += [f"  database: {one}" for one in self.database]
        lines += [f"  photo {name} is {what}" for name, what in self.damaged]
        return lines + (
            [f"  {self.strays} kept files belong to no photo (left by an interruption)"] if self.strays else []
        )


def check_all(workspace: Workspace) -> Checked:
    """Check database and photos; reads every photo once."""
    with workspace.read() as session:
        photos = list(session.scalars(select(Photo)))
        left = len(unmeasured(session))
        files = {place_of(workspace.photos, one.sha256, one.suffix): one for one in photos}
        faults = [
            (one.original_name, what) for one in photos if (what := damaged(workspace.photos, one.sha256, one.suffix))
        ]
    kept = [one for one in workspace.photos.glob("*/*") if one.is_file()]
    strays = sum(one not in files for one in kept)
    return Checked(len(photos), left, tuple(check_log(workspace)), tuple(faults), strays)
