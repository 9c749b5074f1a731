"""One photo at the bench: file it, measure it, say at once what matters."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import bench, burns, find, states
from pooleye.burnlog.bench import Place
from pooleye.burnlog.card_reading import CardSeen, card_in_photo
from pooleye.burnlog.corrections import photo_named
from pooleye.burnlog.filing import Measurer, file_photo, job_for, measure_job, place_of_photo, record_reading
from pooleye.burnlog.look import CLIP_SUFFIXES, Seen, look, look_closely
from pooleye.burnlog.matching import utc_of
from pooleye.burnlog.photo_files import place_of
from pooleye.burnlog.records import Candle, Photo
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.stops import advice_on
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.measurement import QUANTITIES, Quantity


@dataclass(frozen=True)
class Snapped:
    """A photo, filed and measured. ``result``: the measuring contract's object; ``already``: it was filed before."""

    photo: str
    sha256: str
    place: Place
    found_how: str
    already: bool
    result: dict[str, Any]
    advice: tuple[Advice, ...] = ()
    card: CardSeen | None = None

    def said(self) -> list[str]:
        """Stops, where it was filed, the numbers, the rest."""
        again = " (was filed before)" if self.already else ""
        lines = [f"{self.photo} → {self.place.said()}{again}", *numbers(self.result)]
        if self.card is not None:
            lines.append(f"  bench card: {self.card.scale} on the table, 12 o'clock at {self.card.twelve}")
        return with_advice(self.advice, lines)


_SHOWN = (
    "pool_diameter", "pool_coverage", "hangup_max", "wick_offset", "carbon_ball_diameter", "soot_delta_L", "soot_arc",
    "flame_height", "flame_height_max", "smoke_strength", "wax_level", "pool_depth", "flicker_frequency",
)  # fmt: skip


def numbers(result: dict[str, Any]) -> list[str]:
    """The quantities that a maker looks for, one a line."""
    return [
        f"  {QUANTITIES[name][1]}: {Quantity(one['value'], one['u'], one['unit'])}"
        for name in _SHOWN
        if (one := result["quantities"].get(name)) is not None
    ]


@dataclass(frozen=True)
class Chosen:
    """Where a photo goes. ``taken_at``: the time that placed it, None where minutes were given instead."""

    place: Place
    how: str
    taken_at: datetime | None
    advice: tuple[Advice, ...] = ()


def _time(
    seen: Seen, workspace: Workspace, at: datetime | None, untimed_at: datetime | None
) -> tuple[datetime, tuple[Advice, ...]]:
    """The photo's moment: as given, as the photo says, else now; a photo from the future is not believed."""
    if at is not None:
        return at, ()
    now, taken = workspace.now(), utc_of(seen, workspace.zone, 0.0)
    if taken is None and untimed_at is not None:
        return untimed_at, ()
    if taken is None:
        text = "the photo says no time; filed as taken now (else give --at)"
        return now, (Advice("info", "taken-now", text),)
    if (taken - now).total_seconds() > 600:
        text = "the photo's clock is ahead of now; filed as taken now (else give --at)"
        return now, (Advice("caution", "photo-clock-wrong", text),)
    return taken, ()


def _candle(session: Session, seen: Seen, code: str | None, moment: datetime) -> tuple[Candle, str]:
    """(candle, how it was found): as given, by the label in the picture, else the only one alight at that time."""
    if code is not None:
        return find.candle(session, code), "given"
    if len(seen.codes) == 1:
        return find.candle(session, seen.codes[0]), "code-in-picture"
    if len(seen.codes) > 1:
        text = f"the picture shows the labels of {' and '.join(seen.codes)}"
        raise PooleyeError("which-candle", text, hint=f"say which is meant: --candle {seen.codes[0]}")
    then = [one for one in burns.alight(session) if states.last_burn(one) is bench.burn_at(one, moment)]
    if not then:
        text = "no candle is alight, and the picture shows no label"
        raise PooleyeError("which-candle", text, hint="say which candle it is: --candle CODE (see pooleye status)")
    return find.candle(session, burns.only_one([one.code for one in then], "alight")), "alight"


def _place(candle: Candle, moment: datetime, minutes: float | None) -> Place:
    if minutes is None:
        return bench.place_at(candle, moment)
    burn = bench.burn_at(candle, moment) or states.last_burn(candle)
    if burn is None:
        raise PooleyeError("never-lit", f"{candle.code} was never lit", hint="leave --minutes out: it is filed as new")
    return Place(candle.code, "alight", burn.number, minutes, bench.checkpoint_minutes(burn, minutes))


def snap(
    workspace: Workspace,
    path: Path,
    *,
    code: str | None = None,
    at: datetime | None = None,
    minutes: float | None = None,
    view: str = "auto",
    untimed_at: datetime | None = None,
    measure: Measurer = measure_job,
) -> Snapped:
    """File and measure one photo. The bytes and their place are in the log before measuring begins.

    ``untimed_at``: when it was taken, for a photo that does not say so itself and was sent later.
    Raises PooleyeError when the file cannot be read or it is not clear which candle is meant.
    """
    if not path.is_file():
        raise PooleyeError("no-photo", f"there is no photo {path}", hint="check the name; it may be in another folder")
    seen = look(str(path))
    if code is None and not seen.codes:
        seen = look_closely(str(path))
    if seen.problem is not None:
        raise PooleyeError("unreadable-photo", f"{path.name}: {seen.problem}", hint=seen.hint or "send the original")
    with workspace.read() as session:
        known = session.scalar(select(Photo).where(Photo.sha256 == seen.sha256))
        if known is not None:
            advice = elsewhere(session, known, code)
        else:
            chosen = decide(session, workspace, seen, code, at, minutes, untimed_at)
    if known is not None:
        return measured(workspace, path, seen.sha256, True, advice, measure)
    filed = file_photo(
        workspace,
        path,
        chosen.place,
        found_how=chosen.how,
        filed_by="hand" if code else "tool",
        view=view,
        taken_at=chosen.taken_at,
    )
    return measured(workspace, path, filed.sha256, filed.already, chosen.advice, measure)


def elsewhere(session: Session, known: Photo, code: str | None) -> tuple[Advice, ...]:
    """A photo filed before stays where it is, even if another candle is named now."""
    if code is None or find.candle(session, code) is known.candle:
        return ()
    text = (
        f"this photo was filed under {known.candle.code} before; to move it: pooleye refile {known.sha256[:8]} {code}"
    )
    return (Advice("caution", "filed-elsewhere", text),)


def decide(
    session: Session,
    workspace: Workspace,
    seen: Seen,
    code: str | None,
    at: datetime | None,
    minutes: float | None,
    untimed_at: datetime | None,
) -> Chosen:
    if minutes is not None and at is None:
        candle, how = _candle(session, seen, code, workspace.now())
        return Chosen(_place(candle, workspace.now(), minutes), how, None)
    moment, advice = _time(seen, workspace, at, untimed_at)
    candle, how = _candle(session, seen, code, moment)
    if at is None and moment < candle.pour.poured_at:
        text = f"the photo's clock says a time before {candle.code} was poured; filed as taken now (else give --at)"
        moment, advice = workspace.now(), (Advice("caution", "photo-clock-wrong", text),)
    return Chosen(_place(candle, moment, minutes), how, moment, advice)


def measured(
    workspace: Workspace, path: Path, sha256: str, already: bool, advice: tuple[Advice, ...], measure: Measurer
) -> Snapped:
    """Measure a filed photo, unless what the log has is of the same inputs."""
    with workspace.read() as session:
        sha256 = session.scalars(select(Photo.burst_of).where(Photo.sha256 == sha256)).one() or sha256
        photo = session.scalars(select(Photo).where(Photo.sha256 == sha256)).one()
        job, place, how = job_for(session, workspace, photo), place_of_photo(photo), photo.found_how
        kept = [dict(one.result) for one in photo.readings if one.inputs_sha256 == job.inputs_sha256()]
    result = kept[-1] if kept else None
    if result is None:
        outcome = measure(job)
        record_reading(workspace, job, outcome)
        result = dict(outcome["result"])
    with workspace.read() as session:
        advice += advice_on(find.candle(session, place.candle), result, place.phase)
    card = card_in_photo(str(path), workspace.settings.card_ruler_mm or None) if _is_still(path) else None
    return Snapped(path.name, sha256, place, how, already, result, advice, card)


def measure_filed(workspace: Workspace, sha256: str, *, measure: Measurer = measure_job) -> Snapped:
    """A photo in the log, measured with what the log knows of it now, unless it was so already."""
    with workspace.read() as session:
        photo = photo_named(session, sha256)
        whole, path = photo.sha256, place_of(workspace.photos, photo.sha256, photo.suffix)
    return measured(workspace, path, whole, True, (), measure)


def _is_still(path: Path) -> bool:
    return path.suffix.lower() not in CLIP_SUFFIXES
