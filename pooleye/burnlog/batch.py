"""A folder of photos into the log: look at all, decide, file, measure; interrupted at any moment, it continues."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pooleye.burnlog import find
from pooleye.burnlog.executors import asked_to_stop, in_window, own_cores, window_of
from pooleye.burnlog.filing import (
    MeasureJob,
    Measurer,
    Outcome,
    file_photo,
    job_for,
    measure_job,
    newest_reading,
    record_reading,
    unmeasured,
)
from pooleye.burnlog.look import CLIP_SUFFIXES, PHOTO_SUFFIXES, Seen, look, look_closely
from pooleye.burnlog.matching import Decided, Offset, Undecided, decide, session_offset
from pooleye.burnlog.names import read_name
from pooleye.burnlog.records import Photo, Reading
from pooleye.burnlog.results import Advice, with_advice
from pooleye.burnlog.stops import advice_on
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.times import say_minutes
from pooleye.errors import PooleyeError

Progress = Callable[[str, int, int], None]
# A number that moved by more than this share of its u under another method or better inputs is worth a look.
_MOVED_U = 0.2


@dataclass(frozen=True)
class LeftOut:
    """A file that was not filed or not measured: which, why, what to do; of which candle, where that is known."""

    photo: str
    why: str
    hint: str
    candle: str | None = None

    @property
    def named(self) -> str:
        """The file's name, which folders may share, with the candle's."""
        return f"{self.candle}, {self.photo}" if self.candle else self.photo


@dataclass(frozen=True)
class Placed:
    """A photo and its place."""

    photo: str
    place: str
    found_how: str


@dataclass(frozen=True)
class Moved:
    """A quantity that moved when a photo was measured again: by how many u of the newer value."""

    photo: str
    quantity: str
    before: float | None
    after: float | None
    in_u: float | None


@dataclass(frozen=True)
class BatchSummary:
    """What a batch did, so that a tired person can act on it."""

    filed: int
    measured: int
    already: int
    declined: tuple[LeftOut, ...]
    undecided: tuple[LeftOut, ...]
    unreadable: tuple[LeftOut, ...]
    placed: tuple[Placed, ...]
    clock_offset_s: float
    clock_offset_how: str
    dry_run: bool
    interrupted: bool
    moved: tuple[Moved, ...] = ()
    advice: tuple[Advice, ...] = ()

    def said(self) -> list[str]:
        """Stops, then counts, then what needs a hand."""
        lines = [self._counts()]
        if self.clock_offset_how == "from-session":
            minutes = say_minutes(abs(self.clock_offset_s) / 60)
            slow = "slow" if self.clock_offset_s > 0 else "fast"
            lines.append(f"the camera's clock was {minutes} {slow}; put right by the looks in the log")
        if self.clock_offset_how == "unclear" and self.undecided:
            lines.append("the camera's clock does not fit the burns; give --clock-offset, for instance +1h")
        if self.dry_run:
            lines += [f"  {one.photo} → {one.place} ({one.found_how})" for one in self.placed]
        lines += _listed("to be retaken", self.declined)
        lines += _listed("not filed, since it is not clear where they belong", self.undecided)
        lines += _listed("cannot be read", self.unreadable)
        lines += [_moved_line(one) for one in self.moved]
        if self.interrupted:
            lines.append("interrupted: run the same command again, it continues where it stopped")
        return with_advice(self.advice, lines)

    def _counts(self) -> str:
        if self.dry_run:
            return f"dry run, nothing changed: {len(self.placed)} photos would be filed, {self.already} are in the log"
        return f"{self.filed} photos filed, {self.measured} measured, {self.already} were in the log already"


def _listed(title: str, rows: Sequence[LeftOut]) -> list[str]:
    if not rows:
        return []
    lines = [f"  {one.named}: {one.why.rstrip('.')}. {one.hint[:1].upper()}{one.hint[1:]}" for one in rows]
    return [f"{title} ({len(rows)}):", *lines]


def _moved_line(one: Moved) -> str:
    if one.before is None or one.after is None:
        return f"  {one.photo}: {one.quantity} {'is new' if one.before is None else 'is gone'}"
    return f"  {one.photo}: {one.quantity} moved from {one.before:g} to {one.after:g} ({one.in_u:.1f} u)"


@dataclass
class _Tally:
    """What is counted on the way."""

    filed: int = 0
    measured: int = 0
    already: int = 0
    interrupted: bool = False
    declined: list[LeftOut] = field(default_factory=list)
    undecided: list[LeftOut] = field(default_factory=list)
    unreadable: list[LeftOut] = field(default_factory=list)
    placed: list[Placed] = field(default_factory=list)
    moved: list[Moved] = field(default_factory=list)
    advice: list[Advice] = field(default_factory=list)
    stop: Callable[[], bool] = lambda: False
    offset: Offset = field(default_factory=Offset)


def photos_in(folder: Path) -> list[Path]:
    """Photos and clips in a folder and below, in order of their names; a file stands for itself."""
    if folder.is_file():
        return [folder]
    if not folder.is_dir():
        raise PooleyeError("no-folder", f"there is no folder {folder}", hint="check the name")
    kinds = PHOTO_SUFFIXES | CLIP_SUFFIXES
    found = [one for one in folder.rglob("*") if one.suffix.lower() in kinds and one.is_file()]
    return sorted(one for one in found if not any(part.startswith(".") for part in one.relative_to(folder).parts))


def _name_in(folder: Path, path: Path) -> PurePath:
    """The path from the folder on: names above it are none of the photo's."""
    return PurePath(path.name) if folder.is_file() else path.relative_to(folder)


def run_batch(
    workspace: Workspace,
    folder: Path,
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    clock_offset_s: float | None = None,
    dry_run: bool = False,
    progress: Progress | None = None,
    measure: Measurer = measure_job,
) -> BatchSummary:
    """File and measure every photo in ``folder``; what was done before is not done again.

    ``progress(step, done, of)`` is called as work goes on. Ctrl-C ends it cleanly with what was done so far. Raises
    PooleyeError only for what stops everything: no such folder, disk full, a log that cannot be written.
    """
    tally, report = _Tally(), progress or (lambda _step, _done, _of: None)
    paths = photos_in(folder)
    if workspace.read_only and not dry_run:
        with workspace.write():
            pass  # raises, in words
    pool = executor or own_cores(workers)
    try:
        with asked_to_stop() as tally.stop:
            decided = _decided(workspace, folder, paths, pool, clock_offset_s, tally, report)
            if not dry_run:
                _file_and_measure(workspace, decided, pool, tally, report, measure)
    except KeyboardInterrupt:
        tally.interrupted = True
    finally:
        if executor is None:
            pool.shutdown(wait=True, cancel_futures=True)
    return _summary(tally, dry_run)


def _summary(tally: _Tally, dry_run: bool) -> BatchSummary:
    return BatchSummary(
        filed=tally.filed,
        measured=tally.measured,
        already=tally.already,
        declined=tuple(tally.declined),
        undecided=tuple(tally.undecided),
        unreadable=tuple(tally.unreadable),
        placed=tuple(tally.placed),
        clock_offset_s=tally.offset.seconds,
        clock_offset_how=tally.offset.how,
        dry_run=dry_run,
        interrupted=tally.interrupted,
        moved=tuple(tally.moved),
        advice=tuple(tally.advice),
    )


def _look_at_all(
    paths: Sequence[Path],
    folder: Path,
    codes: Collection[str],
    pool: Executor,
    report: Progress,
    stop: Callable[[], bool],
) -> list[Seen]:
    """A look at every file, in the order of ``paths``; a closer one where neither label nor name tells the candle."""
    seen: dict[str, Seen] = {}
    for path, future in in_window(pool, look, [str(one) for one in paths], window_of(pool), stop):
        seen[path] = _seen(path, future)
        report("look", len(seen), len(paths))
    nameless = [one.path for one in seen.values() if not _tells_candle(one, _name_in(folder, Path(one.path)), codes)]
    for path, future in in_window(pool, look_closely, nameless, window_of(pool), stop):
        seen[path] = _seen(path, future)
    return [seen[str(path)] for path in paths]


def _tells_candle(seen: Seen, name: PurePath, codes: Collection[str]) -> bool:
    """Whether there is nothing to look for more closely."""
    is_clip = name.suffix.lower() in CLIP_SUFFIXES
    return is_clip or seen.problem is not None or bool(seen.codes) or bool(read_name(name, codes).codes)


def _seen(path: str, future: Future[Seen]) -> Seen:
    """The look of a worker; a file that took its worker down, or may have, is looked at once more, alone."""
    try:
        return future.result()
    except BrokenExecutor:
        with own_cores(1) as alone:
            try:
                seen: Seen = alone.submit(look, path).result()
                return seen
            except BrokenExecutor:
                return Seen(path, problem="it breaks the program that reads it", hint="take the photo anew")


_Decision = tuple[Path, Seen, Decided]


def _decided(
    workspace: Workspace,
    folder: Path,
    paths: Sequence[Path],
    pool: Executor,
    clock_offset_s: float | None,
    tally: _Tally,
    report: Progress,
) -> list[_Decision]:
    """Photos with a sure place, new candles first (their photos are the baselines of the others)."""
    with workspace.read() as session:
        codes = set(find.known_codes(session))
    looked = _look_at_all(paths, folder, codes, pool, report, tally.stop)
    with workspace.read() as session:
        candles = {one.code: one for one in find.all_candles(session)}
        fresh = _fresh(session, looked, tally)
        if clock_offset_s is None:
            # From all photos, filed ones too: a batch that continues must judge the clock as the first run did.
            readable = [one for one in looked if one.problem is None]
            names = [_name_in(folder, Path(one.path)) for one in readable]
            tally.offset = session_offset(readable, names, candles, workspace.zone, workspace.now())
        else:
            tally.offset = Offset(clock_offset_s, "given")
        found: list[_Decision] = []
        for one in fresh:
            name = _name_in(folder, Path(one.path))
            place = decide(one, name, candles, workspace.zone, tally.offset, workspace.now())
            if isinstance(place, Undecided):
                tally.undecided.append(LeftOut(str(name), place.why, place.hint))
            else:
                tally.placed.append(Placed(str(name), place.place.said(), place.found_how))
                found.append((Path(one.path), one, place))
    return sorted(found, key=lambda one: one[2].place.phase != "new")


def _fresh(session: Session, looked: Sequence[Seen], tally: _Tally) -> list[Seen]:
    """Readable files that the log has not, each content once."""
    known = set(session.scalars(select(Photo.sha256)))
    fresh = []
    for one in looked:
        if one.problem is not None:
            why = one.problem.removeprefix(one.path).strip()
            tally.unreadable.append(LeftOut(Path(one.path).name, why, one.hint or "send the original"))
        elif one.sha256 in known:
            tally.already += 1
        else:
            known.add(one.sha256)
            fresh.append(one)
    return fresh


def _jobs(
    workspace: Workspace, decided: Sequence[_Decision], left: Sequence[int], tally: _Tally
) -> Iterator[MeasureJob]:
    """File each photo when a worker is free for it, and give the job of measuring it.

    ``left``, the photos that an earlier run filed and did not get to measure, come last: another batch may be at them.
    """
    for path, _, found in decided:
        filed = file_photo(
            workspace,
            path,
            found.place,
            found_how=found.found_how,
            view=found.view,
            taken_at=found.taken_at,
            clock_offset_s=tally.offset.seconds,
        )
        tally.filed += not filed.already
        tally.already += filed.already
        if not filed.already:
            yield _job(workspace, filed.photo_id)
    for photo_id in left:
        with workspace.read() as session:
            done = session.scalar(select(Reading.id).where(Reading.photo_id == photo_id).limit(1))
        if done is None:
            yield _job(workspace, photo_id)


def _job(workspace: Workspace, photo_id: int) -> MeasureJob:
    with workspace.read() as session:
        return job_for(session, workspace, session.get_one(Photo, photo_id))


def _file_and_measure(
    workspace: Workspace,
    decided: Sequence[_Decision],
    pool: Executor,
    tally: _Tally,
    report: Progress,
    measure: Measurer,
) -> None:
    with workspace.read() as session:
        left = [one.id for one in unmeasured(session)]
    jobs = _jobs(workspace, decided, left, tally)
    for done, (job, future) in enumerate(in_window(pool, measure, jobs, window_of(pool), tally.stop), start=1):
        outcome = _outcome(job, future, measure, tally)
        if outcome is not None:
            _record(workspace, job, outcome, tally)
        report("measure", done, max(done, len(decided) + len(left)))


def _outcome(job: MeasureJob, future: Future[Outcome], measure: Measurer, tally: _Tally) -> Outcome | None:
    """The answer of a worker; a photo that took its worker down is tried once more, alone.

    A fault in measuring one photo must not cost the others: it is listed, and the photo stays filed, to be measured by
    a later run.
    """
    try:
        return future.result()
    except BrokenExecutor:
        return _alone(job, measure, tally)
    except Exception as fault:
        _failed(job, fault, tally)
        return None


def _alone(job: MeasureJob, measure: Measurer, tally: _Tally) -> Outcome | None:
    with own_cores(1) as pool:
        try:
            outcome: Outcome = pool.submit(measure, job).result()
            return outcome
        except Exception as fault:
            _failed(job, fault, tally)
            return None


def _failed(job: MeasureJob, fault: Exception, tally: _Tally) -> None:
    if isinstance(fault, PooleyeError):
        tally.unreadable.append(LeftOut(job.name, fault.message, fault.hint))
        return
    text = f"measuring it failed ({type(fault).__name__}: {fault})"
    tally.unreadable.append(LeftOut(job.name, text, "it is filed; please report this with the photo"))


def _record(workspace: Workspace, job: MeasureJob, outcome: Outcome, tally: _Tally) -> None:
    tally.measured += record_reading(workspace, job, outcome)
    result: dict[str, Any] = dict(outcome["result"])
    with workspace.read() as session:
        photo = session.get_one(Photo, job.photo_id)
        tally.advice += [one for one in advice_on(photo.candle, result, photo.phase) if one.severity == "stop"]
        code = photo.candle.code
    if result["status"] == "declined":
        tally.declined.append(LeftOut(job.name, str(result["reason"]), str(result["hint"]), code))


def remeasure(
    workspace: Workspace,
    *,
    executor: Executor | None = None,
    workers: int | None = None,
    progress: Progress | None = None,
    measure: Measurer = measure_job,
) -> BatchSummary:
    """Measure every photo again; kept is what has another method or inputs (headspace, baseline, vessel) than before.

    Earlier readings stay; what moved by more than 0.2 u is listed.
    """
    tally, report = _Tally(), progress or (lambda _step, _done, _of: None)
    pool = executor or own_cores(workers)
    with workspace.read() as session:
        ids = list(
            session.scalars(
                select(Photo.id).where(Photo.voided_at.is_(None), Photo.burst_of.is_(None)).order_by(Photo.id)
            )
        )
    try:
        with asked_to_stop() as tally.stop:
            jobs = (_job(workspace, photo_id) for photo_id in ids)
            for done, (job, future) in enumerate(in_window(pool, measure, jobs, window_of(pool), tally.stop), start=1):
                outcome = _outcome(job, future, measure, tally)
                if outcome is not None:
                    _compare(workspace, job, outcome, tally)
                report("measure", done, len(ids))
    except KeyboardInterrupt:
        tally.interrupted = True
    finally:
        if executor is None:
            pool.shutdown(wait=True, cancel_futures=True)
    return _summary(tally, False)


def _compare(workspace: Workspace, job: MeasureJob, outcome: Outcome, tally: _Tally) -> None:
    with workspace.read() as session:
        last = newest_reading(session.get_one(Photo, job.photo_id))
        before = dict(last.result) if last else None
    if record_reading(workspace, job, outcome):
        tally.measured += 1
        if before is not None:
            tally.moved += moved(job.name, before, dict(outcome["result"]))
    else:
        tally.already += 1


def moved(photo: str, before: dict[str, Any], after: dict[str, Any]) -> list[Moved]:
    """Quantities that moved by more than 0.2 u, came or went."""
    first, second = before["quantities"], after["quantities"]
    found = []
    for name in sorted(first.keys() | second.keys()):
        old, new = first.get(name), second.get(name)
        if old is None or new is None:
            found.append(Moved(photo, name, old and old["value"], new and new["value"], None))
        elif abs(new["value"] - old["value"]) > _MOVED_U * new["u"]:
            in_u = abs(new["value"] - old["value"]) / new["u"]
            found.append(Moved(photo, name, old["value"], new["value"], in_u))
    return found
