"""Killed, crowded, full: what the log must survive."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from pooleye.burnlog import checking, executors
from pooleye.burnlog.batch import run_batch
from pooleye.burnlog.burns import light
from pooleye.burnlog.records import Note, Photo, Reading
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, with_clock
from pooleye.errors import PooleyeError

HERE = Path(__file__).parent
Three = Callable[..., tuple[str, ...]]
Jpeg = Callable[..., bytes]
Fake = Callable[..., dict[str, Any]]


def test_killed_at_random_moments_nothing_is_lost_and_nothing_is_there_twice() -> None:
    ran = subprocess.run(
        [sys.executable, HERE / "soak.py", "--kills", "10", "--seed", "4"], capture_output=True, text=True, check=False
    )
    report = json.loads(ran.stdout)
    assert report["faults"] == []
    assert ran.returncode == 0
    assert report["kills"] >= 10
    # A test that never kills in the middle would prove nothing.
    assert report["killed_half_way"] >= 2
    assert {one["kind"] for one in report["rounds"]} == {"batch-threads", "batch-cores", "snap"}


def _writer(workspace: Workspace, code: str, count: int) -> subprocess.Popen[str]:
    command = [sys.executable, HERE / "writer.py", workspace.root, code, str(count)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    return process


def test_two_processes_and_a_batch_write_at_once_and_all_of_it_is_there(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    codes = three(workspace)
    light(workspace, codes)
    (tmp_path / "in").mkdir()
    wall = clock().astimezone(workspace.zone).replace(tzinfo=None)
    for seed in range(12):
        data = make_jpeg(wall + timedelta(minutes=5 + seed), seed=seed, code=codes[2])
        (tmp_path / "in" / f"{seed}.jpg").write_bytes(data)
    clock.forward(minutes=40)
    writers = [_writer(workspace, code, 40) for code in codes[:2]]
    for process in writers:
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    with ThreadPoolExecutor(2) as pool:
        summary = run_batch(workspace, tmp_path / "in", executor=pool, measure=fake)
    for process in writers:
        process.communicate()
        assert process.returncode == 0
    assert (summary.filed, summary.measured) == (12, 12)
    with workspace.read() as session:
        texts = sorted(session.scalars(select(Note.text)))
        assert texts == sorted(f"{code} look {number}" for code in codes[:2] for number in range(40))
    assert checking.check_all(workspace).sound


def test_two_batches_of_one_folder_at_once_file_every_photo_once(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    codes = three(workspace)
    light(workspace, codes)
    wall = clock().astimezone(workspace.zone).replace(tzinfo=None)
    (tmp_path / "in").mkdir()
    for seed in range(16):
        data = make_jpeg(wall + timedelta(minutes=5 + seed), seed=seed, code=codes[seed % 3])
        (tmp_path / "in" / f"{seed}.jpg").write_bytes(data)
    clock.forward(minutes=40)

    def one(_number: int) -> Any:
        with ThreadPoolExecutor(2) as pool:
            return run_batch(workspace, tmp_path / "in", executor=pool, measure=fake)

    with ThreadPoolExecutor(2) as both:
        first, second = both.map(one, range(2))
    assert first.filed + second.filed == 16
    assert first.measured + second.measured == 16
    with workspace.read() as session:
        assert len(session.scalars(select(Photo)).all()) == len(session.scalars(select(Reading)).all()) == 16


# --- a disk that fills up -------------------------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of three megabytes, where this user may mount one."""
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=3m", "tmpfs", place], capture_output=True, check=False
    ).returncode  # fmt: skip
    if mounted != 0:
        pytest.skip("this user may not mount a small disk")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", place], check=True)


def test_a_batch_on_a_disk_that_fills_up_stops_in_words_and_continues_when_there_is_room(
    small_disk: Path, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    made = create_workspace(small_disk / "log", Settings())
    workspace = with_clock(made, clock())
    code, *_ = three(workspace)
    light(workspace, [code])
    (tmp_path / "in").mkdir()
    for seed in range(20):
        data = make_jpeg(clock().replace(tzinfo=None) + timedelta(minutes=seed), seed=seed, code=code)
        # Bytes after the end of the picture are allowed, and make it as large as a phone's.
        (tmp_path / "in" / f"{seed}.jpg").write_bytes(data + os.urandom(300_000))
    workspace = with_clock(made, clock() + timedelta(minutes=40))
    with ThreadPoolExecutor(2) as pool, pytest.raises(PooleyeError) as refused:
        run_batch(workspace, tmp_path / "in", executor=pool, measure=fake)
    assert refused.value.reference == "disk-full"
    checked = checking.check_all(workspace)
    assert checked.sound
    assert 0 < checked.photos < 20
    subprocess.run(["mount", "-o", "remount,size=40m", small_disk], check=True)
    with ThreadPoolExecutor(2) as pool:
        summary = run_batch(workspace, tmp_path / "in", executor=pool, measure=fake)
    assert summary.filed == 20 - checked.photos
    checked = checking.check_all(workspace)
    assert (checked.sound, checked.photos, checked.unmeasured) == (True, 20, 0)
    made.close()


def test_a_dead_process_costs_what_it_had_under_way_and_nothing_else() -> None:
    from concurrent.futures import BrokenExecutor

    with executors.own_cores(1) as pool:
        dead = pool.submit(os._exit, 9)
        with pytest.raises(BrokenExecutor):
            dead.result()
        assert pool.submit(abs, -7).result() == 7


# --- executors ------------------------------------------------------------------------------------------------------


def test_the_window_keeps_no_more_under_way_than_it_says_and_loses_none() -> None:
    drawn: list[int] = []
    done: list[int] = []

    def numbers() -> Iterator[int]:
        for number in range(50):
            drawn.append(number)
            assert len(drawn) - len(done) <= 4
            yield number

    with ThreadPoolExecutor(2) as pool:
        for number, future in executors.in_window(pool, lambda n: n * n, numbers(), 4):
            assert future.result() == number * number
            done.append(number)
    assert sorted(done) == list(range(50))


def test_a_photo_that_takes_its_worker_down_is_named_and_the_others_are_measured(
    sqlite_workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    from concurrent.futures import Executor, Future
    from concurrent.futures.process import BrokenProcessPool

    workspace = sqlite_workspace
    code, *_ = three(workspace)
    light(workspace, [code])
    wall = clock().astimezone(workspace.zone).replace(tzinfo=None)
    for seed in range(4):
        (tmp_path / f"{seed}.jpg").write_bytes(make_jpeg(wall + timedelta(minutes=5 + seed), seed=seed, code=code))
    clock.forward(minutes=40)

    class OneBreaks(Executor):
        """Breaks at the second look and at every photo measured but the first, as a process pool does."""

        looked = measured = 0

        def submit(self, fn: Any, /, *args: Any, **more: Any) -> Future[Any]:
            future: Future[Any] = Future()
            self.measured += fn is fake_alone
            self.looked += fn is not fake_alone
            if self.measured > 1 or (self.measured == 0 and self.looked == 2):
                raise BrokenProcessPool("a worker died")
            future.set_result(fn(*args, **more))
            return future

    alone: list[str] = []

    def fake_alone(job: Any) -> dict[str, Any]:
        return fake(job)

    class Alone(ThreadPoolExecutor):
        """Stands in for the single process in which a photo is tried again; the third photo breaks that too."""

        def submit(self, fn: Any, /, *args: Any, **more: Any) -> Future[Any]:
            name = Path(getattr(args[0], "name", args[0])).name
            alone.append(name)
            if name == "2.jpg":
                raise BrokenProcessPool("a worker died")
            return super().submit(fn, *args, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pooleye.burnlog.batch.own_cores", lambda _workers: Alone(1))
        summary = run_batch(workspace, tmp_path, executor=OneBreaks(), measure=fake_alone)
    # The second look and three of the four photos are tried again, each alone.
    assert sorted(alone) == ["1.jpg", "1.jpg", "2.jpg", "3.jpg"]
    assert [one.photo for one in summary.unreadable] == ["2.jpg"]
    assert (summary.filed, summary.measured) == (4, 3)


def test_own_cores_and_a_schedulers_workers_give_the_same_results(
    sqlite_workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg
) -> None:
    distributed = pytest.importorskip("distributed", reason="the optional part “dask” is not installed")
    workspace = sqlite_workspace
    code, *_ = three(workspace)
    light(workspace, [code])
    wall = clock().astimezone(workspace.zone).replace(tzinfo=None)
    (tmp_path / "in").mkdir()
    for seed in range(3):
        data = make_jpeg(wall + timedelta(minutes=5 + seed), seed=seed, code=code)
        (tmp_path / "in" / f"{seed}.jpg").write_bytes(data)
    clock.forward(minutes=40)
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=2, processes=False, dashboard_address="127.0.0.1:0", protocol="tcp"
    )
    try:
        pool = executors.scheduler_workers(cluster.scheduler_address)
        by_scheduler = run_batch(workspace, tmp_path / "in", executor=pool, dry_run=True)
        pool.shutdown()
    finally:
        cluster.close()
    by_cores = run_batch(workspace, tmp_path / "in", workers=1, dry_run=True)
    assert by_scheduler == by_cores
    assert len(by_cores.placed) == 3


def test_a_scheduler_that_does_not_answer_is_named() -> None:
    pytest.importorskip("distributed", reason="the optional part “dask” is not installed")
    with pytest.raises(PooleyeError) as refused:
        executors.scheduler_workers("tcp://127.0.0.1:1", timeout_s=0.5)
    assert refused.value.reference == "no-scheduler"


def test_ctrl_c_at_the_terminal_ends_all_processes_with_a_summary_and_the_same_command_continues(
    sqlite_workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg
) -> None:
    import signal
    import time

    workspace = sqlite_workspace
    code, *_ = three(workspace)
    light(workspace, [code])
    wall = clock().astimezone(workspace.zone).replace(tzinfo=None)
    (tmp_path / "in").mkdir()
    for seed in range(80):
        data = make_jpeg(wall + timedelta(minutes=5 + seed, seconds=seed), seed=seed, code=code)
        (tmp_path / "in" / f"{seed}.jpg").write_bytes(data)
    command = [sys.executable, "-m", "pooleye", "batch", tmp_path / "in", "-w", workspace.root, "--cores", "2"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    until = time.monotonic() + 120
    while not _filed(workspace) and process.poll() is None and time.monotonic() < until:
        time.sleep(0.05)
    os.killpg(process.pid, signal.SIGINT)
    out, err = process.communicate()
    assert process.returncode == 130, err
    assert "interrupted: run the same command again" in out
    assert "Traceback" not in err
    assert checking.check_all(workspace).sound
    before = _filed(workspace)
    assert 0 < before < 80
    again = subprocess.run([*command, "--json"], capture_output=True, text=True, check=False)
    done = json.loads(again.stdout)
    assert done["filed"] == 80 - before
    checked = checking.check_all(workspace)
    assert (checked.sound, checked.photos) == (True, 80)


def _filed(workspace: Workspace) -> int:
    with workspace.read() as session:
        return len(session.scalars(select(Photo.id)).all())
