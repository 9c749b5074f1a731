"""A burst is one look: its stills kept, its result on one of them, nothing twice, whatever was filed before."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from pooleye.burnlog import checking, corrections, overview
from pooleye.burnlog.batch import remeasure
from pooleye.burnlog.burns import light
from pooleye.burnlog.bursts import snap_burst
from pooleye.burnlog.filing import MeasureJob, unmeasured
from pooleye.burnlog.records import Measurement, Photo, Reading
from pooleye.burnlog.snap import snap
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError, UsageError

Three = Callable[..., tuple[str, ...]]


class Measuring:
    """Stands in for measuring and keeps what it was asked."""

    def __init__(self, fake: Callable[..., dict[str, Any]]) -> None:
        self.fake, self.jobs = fake, list[MeasureJob]()

    def __call__(self, job: MeasureJob) -> dict[str, Any]:
        self.jobs.append(job)
        return self.fake(job, method="side-clip/1" if job.burst else "side/1")


@pytest.fixture
def measuring(fake: Callable[..., dict[str, Any]]) -> Measuring:
    return Measuring(fake)


@pytest.fixture
def stills(clock: Any, make_jpeg: Callable[..., bytes], tmp_path: Path) -> Callable[..., list[Path]]:
    """Stills a second apart by the camera's clock, which stands in the workshop's zone."""

    def take(workspace: Workspace, count: int = 4, apart_s: float = 1.0) -> list[Path]:
        start: datetime = clock().astimezone(workspace.zone).replace(tzinfo=None)
        paths = [tmp_path / f"IMG_{number}.jpg" for number in range(count)]
        for number, path in enumerate(paths):
            path.write_bytes(make_jpeg(start + timedelta(seconds=number * apart_s), seed=number))
        return paths

    return take


def counts(workspace: Workspace) -> tuple[int, int]:
    """Photos and readings in the log."""
    with workspace.read() as session:
        photos, readings = (session.scalar(select(func.count()).select_from(kind)) for kind in (Photo, Reading))
        return photos or 0, readings or 0


def test_a_burst_is_one_look_at_its_checkpoint_and_is_kept_whole(
    workspace: Workspace, three: Three, clock: Any, stills: Any, measuring: Measuring
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=61)
    paths = stills(workspace)
    done = snap_burst(workspace, paths, measure=measuring)
    assert (done.place.candle, done.place.checkpoint_minutes, done.already) == (code, 60.0, False)
    assert len(measuring.jobs[0].burst) == 3
    (photo,) = overview.show(workspace, code).burns[0].photos
    assert photo.quantities
    with workspace.read() as session:
        assert {one.checkpoint_id for one in session.scalars(select(Photo))} == {
            one.checkpoint_id for one in session.scalars(select(Measurement))
        }
        assert unmeasured(session) == []
    assert checking.check_all(workspace).sound
    assert counts(workspace) == (4, 1)
    again = snap_burst(workspace, paths[::-1], measure=measuring)
    one_of_them = snap(workspace, paths[2], measure=measuring)
    assert (again.already, again.sha256, one_of_them.sha256) == (True, done.sha256, done.sha256)
    assert (counts(workspace), len(measuring.jobs)) == ((4, 1), 1)


def test_measured_again_a_burst_is_measured_as_one(
    sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring, threads: Any
) -> None:
    code, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [code])
    snap_burst(sqlite_workspace, stills(sqlite_workspace), measure=measuring)
    done = remeasure(sqlite_workspace, executor=threads, measure=measuring)
    assert (done.already, done.measured, len(measuring.jobs[-1].burst)) == (1, 0, 3)


def test_stills_filed_one_by_one_join_their_burst(
    sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring
) -> None:
    code, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [code])
    paths = stills(sqlite_workspace)
    for path in paths[1:3]:
        snap(sqlite_workspace, path, measure=measuring)
    done = snap_burst(sqlite_workspace, paths, measure=measuring)
    assert (done.already, len(measuring.jobs[-1].burst)) == (False, 3)
    (photo,) = overview.show(sqlite_workspace, code).burns[0].photos
    assert photo.name == "IMG_1.jpg"  # the one that was there first
    assert counts(sqlite_workspace) == (4, 3)


def test_a_burst_moves_as_a_whole(sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring) -> None:
    one, two, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [one, two])
    done = snap_burst(sqlite_workspace, stills(sqlite_workspace), code=one, measure=measuring)
    corrections.refile(sqlite_workspace, done.sha256, two)
    with sqlite_workspace.read() as session:
        assert {photo.candle.code for photo in session.scalars(select(Photo))} == {two}


def test_with_most_of_its_stills_struck_out_the_one_that_is_left_is_measured_by_itself(
    sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring, threads: Any
) -> None:
    code, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [code])
    snap_burst(sqlite_workspace, stills(sqlite_workspace), measure=measuring)
    for number in ("2", "3"):
        corrections.strike(sqlite_workspace, "photo", number, "a hand before the lens")
    remeasure(sqlite_workspace, executor=threads, measure=measuring)
    assert not measuring.jobs[-1].burst


def test_what_is_no_burst_is_refused_before_anything_is_filed(
    sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring
) -> None:
    code, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [code])
    with pytest.raises(PooleyeError, match="over 3 minutes"):
        snap_burst(sqlite_workspace, stills(sqlite_workspace, apart_s=60.0), measure=measuring)
    with pytest.raises(UsageError, match="3 to 60"):
        snap_burst(sqlite_workspace, stills(sqlite_workspace, 2), measure=measuring)
    assert counts(sqlite_workspace) == (0, 0)


def test_stills_filed_under_another_candle_are_not_taken_from_it(
    sqlite_workspace: Workspace, three: Three, stills: Any, measuring: Measuring
) -> None:
    one, two, *_ = three(sqlite_workspace)
    light(sqlite_workspace, [one, two])
    paths = stills(sqlite_workspace)
    snap(sqlite_workspace, paths[0], code=one, measure=measuring)
    snap(sqlite_workspace, paths[1], code=two, measure=measuring)
    with pytest.raises(PooleyeError, match="apart from the others"):
        snap_burst(sqlite_workspace, paths, measure=measuring)
    assert counts(sqlite_workspace) == (2, 2)
