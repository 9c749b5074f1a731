"""A burst of stills at the bench: each kept, all filed as one look, measured as one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog.filing import Measurer, file_photo, measure_job, place_of_photo, stills_of
from pooleye.burnlog.history import Author
from pooleye.burnlog.look import look, look_closely
from pooleye.burnlog.photo_files import file_sha256, place_of
from pooleye.burnlog.records import Photo as Record
from pooleye.burnlog.snap import Chosen, Snapped, decide, elsewhere, measured
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

if TYPE_CHECKING:
    from pooleye.photo import Photo

LONGEST_S = 60.0
"""From the first still to the last. Judged: a phone's burst lasts seconds; what took longer is several looks."""


def snap_burst(
    workspace: Workspace,
    paths: Sequence[Path],
    *,
    code: str | None = None,
    at: datetime | None = None,
    minutes: float | None = None,
    measure: Measurer = measure_job,
) -> Snapped:
    """File and measure stills from the side, taken in quick succession. The first bears the result, the others name it.

    Stills that were filed before as looks of their own stay at their place and join. Raises PooleyeError where the
    photos are no burst, a file cannot be read or it is not clear which candle is meant.
    """
    photos = _in_order(paths)
    with workspace.read() as session:
        known = _known(session, photos)
        lead = _lead(session, known)
        bearer = None if lead is None else lead.sha256
        already = lead is not None and len(known) == len(photos) and all(bearer in _names(one) for one in known)
        chosen = None if lead is None else Chosen(place_of_photo(lead), lead.found_how, lead.taken_at)
        advice = () if lead is None else elsewhere(session, lead, code)
    if chosen is None:
        chosen = _decided(workspace, str(photos[0].path), code, at, minutes)
        advice = chosen.advice
    for photo in photos:
        filed = file_photo(
            workspace,
            Path(photo.path),
            chosen.place,
            found_how=chosen.how,
            filed_by="hand" if code else "tool",
            view="side",
            taken_at=chosen.taken_at,
            burst_of=bearer,
        )
        bearer = bearer or filed.sha256
    assert bearer is not None
    name, kept, count = _joined(workspace, photos, bearer)
    done = measured(workspace, kept, bearer, already, advice, measure)
    return replace(done, photo=f"{name} and {count} more of its burst")


def _decided(workspace: Workspace, path: str, code: str | None, at: datetime | None, minutes: float | None) -> Chosen:
    """Where a burst of which nothing is in the log goes, by its first still."""
    seen = look(path)
    if code is None and not seen.codes:
        seen = look_closely(path)
    with workspace.read() as session:
        return decide(session, workspace, seen, code, at, minutes, None)


def _joined(workspace: Workspace, photos: Sequence[Photo], bearer: str) -> tuple[str, Path, int]:
    """All stills name the one that bears the result: (its name, where it is kept, how many others)."""
    with workspace.write(Author()) as session:
        for one in _known(session, photos):
            if one.sha256 != bearer and one.burst_of != bearer:
                one.burst_of = bearer
        lead = session.scalars(select(Record).where(Record.sha256 == bearer)).one()
        session.flush()
        return lead.original_name, place_of(workspace.photos, bearer, lead.suffix), len(stills_of(session, lead))


def _in_order(paths: Sequence[Path]) -> list[Photo]:
    """The stills in the order taken. Raises PooleyeError where they are no burst."""
    from pooleye.burst import burst_pictures

    photos = [photo for photo, _ in burst_pictures(paths)]
    moments = sorted(one.taken_at.replace(tzinfo=None) for one in photos if one.taken_at is not None)
    if moments and (moments[-1] - moments[0]).total_seconds() > LONGEST_S:
        text = f"the photos were taken over {(moments[-1] - moments[0]).total_seconds() / 60:.0f} minutes"
        raise PooleyeError("no-burst", text, hint="a burst is taken at one go; several looks: pooleye batch FOLDER")
    return photos


def _known(session: Session, photos: Sequence[Photo]) -> list[Record]:
    """Those in the log already, the earliest filed first."""
    hashes = [file_sha256(Path(one.path)) for one in photos]
    query = select(Record).where(Record.sha256.in_(hashes)).order_by(Record.id)
    return list(session.scalars(query))


def _names(one: Record) -> tuple[str, ...]:
    return (one.sha256,) if one.burst_of is None else (one.burst_of,)


def _lead(session: Session, known: Sequence[Record]) -> Record | None:
    """Which of the stills in the log bears the result; None when none is there. PooleyeError when they stand apart."""
    if not known:
        return None
    bearers = {one.burst_of for one in known if one.burst_of} | {one.sha256 for one in known if stills_of(session, one)}
    named = session.scalars(select(Record).where(Record.sha256.in_(bearers))).all()
    lead = named[0] if named else known[0]
    for one in (*known, *named[1:]):
        alike = (one.candle_id, one.burn_id) == (lead.candle_id, lead.burn_id)
        if not alike or one in named[1:] or one.voided_at is not None:
            place = "struck out" if one.voided_at else f"filed as {place_of_photo(one).said()}"
            text = f"{one.original_name} was {place} before, apart from the others"
            raise PooleyeError("filed-apart", text, hint="leave it out, or move it first: pooleye refile")
    return lead
