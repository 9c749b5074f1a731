"""Photos: kept byte for byte, snapped at the bench, filed from a folder; never twice, never by guess."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import random
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path, PurePath
from typing import Any

import pytest
from sqlalchemy import func, select

from pooleye.burnlog import bench, checking, corrections, matching, overview, photo_files
from pooleye.burnlog.batch import moved, photos_in, remeasure, run_batch
from pooleye.burnlog.burns import light, snuff
from pooleye.burnlog.filing import MeasureJob, file_photo, job_for, record_reading, unmeasured
from pooleye.burnlog.names import read_name
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.records import Measurement, Photo, Reading
from pooleye.burnlog.snap import snap
from pooleye.burnlog.stops import advice_on
from pooleye.burnlog.store import Workspace
from pooleye.burnlog.weighing import weigh
from pooleye.errors import PooleyeError

Three = Callable[..., tuple[str, ...]]
Jpeg = Callable[..., bytes]
Fake = Callable[..., dict[str, Any]]


def _wall(workspace: Workspace, moment: datetime) -> datetime:
    """The camera's clock at a moment: the workshop's wall clock."""
    return moment.astimezone(workspace.zone).replace(tzinfo=None)


def _count(workspace: Workspace, model: Any) -> int:
    with workspace.read() as session:
        return session.scalar(select(func.count()).select_from(model)) or 0


# --- files ----------------------------------------------------------------------------------------------------------


def test_a_photo_is_kept_byte_for_byte_under_its_hash_and_the_original_is_left_alone(tmp_path: Path) -> None:
    data = os.urandom(3_000_001)
    (tmp_path / "IMG 7.JPG").write_bytes(data)
    kept = photo_files.keep_file(tmp_path / "store", tmp_path / "IMG 7.JPG")
    assert (kept.sha256, kept.suffix, kept.bytes) == (hashlib.sha256(data).hexdigest(), ".jpg", len(data))
    place = photo_files.place_of(tmp_path / "store", kept.sha256, kept.suffix)
    assert place.read_bytes() == (tmp_path / "IMG 7.JPG").read_bytes() == data
    assert photo_files.keep_file(tmp_path / "store", tmp_path / "IMG 7.JPG") == kept
    assert [one for one in (tmp_path / "store").rglob("*") if one.is_file()] == [place]


def test_a_changed_or_missing_photo_is_found(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"candle")
    kept = photo_files.keep_file(tmp_path / "store", tmp_path / "a.jpg")
    place = photo_files.place_of(tmp_path / "store", kept.sha256, kept.suffix)
    assert photo_files.damaged(tmp_path / "store", kept.sha256, kept.suffix) is None
    place.chmod(0o644)
    place.write_bytes(b"candlE")
    assert photo_files.damaged(tmp_path / "store", kept.sha256, kept.suffix) == "changed"
    place.unlink()
    assert photo_files.damaged(tmp_path / "store", kept.sha256, kept.suffix) == "missing"


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
def test_a_full_disk_leaves_no_half_photo_and_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    (tmp_path / "a.jpg").write_bytes(b"candle")

    def full(_handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PooleyeError) as refused:
        photo_files.keep_file(tmp_path / "store", tmp_path / "a.jpg")
    assert refused.value.reference == "disk-full"
    assert [one for one in (tmp_path / "store").rglob("*") if one.is_file()] == []


# --- names ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "codes", "burn", "minutes", "new", "view"),
    [
        ("K7CX_b2_120min_top.jpg", ("K7CX",), 2, 120, False, "top"),
        ("k7cx/burn 3/2h30-side.heic", ("K7CX",), 3, 150, False, "side"),
        ("new/K7CX.jpg", ("K7CX",), None, None, True, None),
        ("IMG_20260301_1h.jpg", (), None, 60, False, None),
        ("IMG_0412.jpg", (), None, None, False, None),
        ("K7CX and ACET.jpg", ("K7CX", "ACET"), None, None, False, None),
        # MAKE looks like a code but is no candle of this log.
        ("make_top.jpg", (), None, None, False, "top"),
    ],
)
def test_what_a_name_says(
    name: str, codes: tuple[str, ...], burn: int | None, minutes: float | None, new: bool, view: str | None
) -> None:
    says = read_name(PurePath(name), {"K7CX", "ACET"})
    assert (says.codes, says.burn, says.minutes, says.new, says.view) == (codes, burn, minutes, new, view)


# --- snap -----------------------------------------------------------------------------------------------------------


def test_a_snap_is_filed_measured_and_read_back_through_a_second_connection(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=61)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(_wall(workspace, clock())))
    done = snap(workspace, tmp_path / "p.jpg", measure=fake)
    assert (done.place.candle, done.place.checkpoint_minutes, done.found_how) == (code, 60.0, "alight")
    shown = overview.show(replace(workspace), code).burns[0].photos[0]
    assert shown.quantities["pool_diameter"].u == 0.5
    with workspace.read() as session:
        kept = session.scalars(select(Measurement)).one()
        assert (kept.by, kept.method, kept.parts) == ("tool", "top/1", {"edge": 0.4, "rim": 0.3})
        assert kept.reading is not None
        assert kept.reading.result["photo"] == "p.jpg"


def test_the_same_photo_snapped_again_is_neither_filed_nor_measured_again(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    first = snap(workspace, tmp_path / "p.jpg", measure=fake)

    def never(job: MeasureJob) -> dict[str, Any]:
        raise AssertionError(f"measured again: {job.name}")

    (tmp_path / "copy.jpg").write_bytes((tmp_path / "p.jpg").read_bytes())
    again = snap(workspace, tmp_path / "copy.jpg", measure=never)
    assert (first.already, again.already) == (False, True)
    assert (_count(workspace, Photo), _count(workspace, Reading)) == (1, 1)


def test_the_label_in_the_picture_names_the_candle(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    codes = three(workspace)
    light(workspace, codes)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None, code=codes[2]))
    done = snap(workspace, tmp_path / "p.jpg", measure=fake)
    assert (done.place.candle, done.found_how) == (codes[2], "code-in-picture")


def test_when_it_is_not_clear_which_candle_is_meant_nothing_is_filed(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    codes = three(workspace)
    light(workspace, codes)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    with pytest.raises(PooleyeError) as refused:
        snap(workspace, tmp_path / "p.jpg", measure=fake)
    assert refused.value.reference == "which-candle"
    assert _count(workspace, Photo) == 0


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0 cut"])
def test_a_file_that_is_no_photo_is_refused_in_words(
    workspace: Workspace, three: Three, tmp_path: Path, content: bytes
) -> None:
    light(workspace, three(workspace)[:1])
    (tmp_path / "p.jpg").write_bytes(content)
    with pytest.raises(PooleyeError) as refused:
        snap(workspace, tmp_path / "p.jpg")
    assert refused.value.reference == "unreadable-photo"


def test_a_camera_clock_that_is_plainly_wrong_is_not_believed(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=60)
    for seed, taken in enumerate((datetime(2010, 1, 1), _wall(workspace, clock()) + timedelta(days=2))):
        (tmp_path / "p.jpg").write_bytes(make_jpeg(taken, seed=seed))
        done = snap(workspace, tmp_path / "p.jpg", code=code, measure=fake)
        assert done.place.checkpoint_minutes == 60
        assert "photo-clock-wrong" in [one.name for one in done.advice]


def test_a_photo_that_was_filed_but_not_measured_is_measured_when_snapped_again(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))

    def pulled(_job: MeasureJob) -> dict[str, Any]:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        snap(workspace, tmp_path / "p.jpg", measure=pulled)
    assert (_count(workspace, Photo), _count(workspace, Reading)) == (1, 0)
    snap(workspace, tmp_path / "p.jpg", measure=fake)
    assert (_count(workspace, Photo), _count(workspace, Reading)) == (1, 1)


def _result(**quantities: tuple[float, float, str]) -> dict[str, Any]:
    values = {name: {"value": v, "u": u, "unit": unit} for name, (v, u, unit) in quantities.items()}
    return {"status": "measured", "reason": None, "hint": None, "flags": [], "quantities": values}


@pytest.mark.parametrize(
    ("kind", "height", "u", "severity"),
    [
        # Limits 75 mm and, for tea lights, 30 mm: EN 15493 (second-hand summary); unsure inside ±2u.
        ("container", 74.0, 0.4, None),
        ("container", 74.9, 0.4, "caution"),
        ("container", 75.1, 0.4, "caution"),
        ("container", 76.0, 0.4, "stop"),
        ("tea-light", 29.0, 0.4, None),
        ("tea-light", 29.9, 0.4, "caution"),
        ("tea-light", 31.0, 0.4, "stop"),
    ],
)
def test_flame_height_is_held_against_the_limit_with_its_uncertainty(
    kind: str, height: float, u: float, severity: str | None
) -> None:
    from types import SimpleNamespace

    candle: Any = SimpleNamespace(code="K7CX", wick_count=1, vessel=SimpleNamespace(kind=kind))
    found = advice_on(candle, _result(flame_height=(height, u, "mm")), "alight")
    assert [one.severity for one in found] == ([severity] if severity else [])


def test_more_flames_than_wicks_is_a_stop_and_as_many_is_none() -> None:
    from types import SimpleNamespace

    candle: Any = SimpleNamespace(code="K7CX", wick_count=2, vessel=SimpleNamespace(kind="container"))
    assert advice_on(candle, _result(flame_count=(2, 0.1, "1")), "alight") == ()
    assert advice_on(candle, _result(flame_count=(3, 0.1, "1")), "alight")[0].severity == "stop"


def test_the_photo_of_the_new_candle_is_itself_the_baseline_of_soot() -> None:
    from types import SimpleNamespace

    candle: Any = SimpleNamespace(code="K7CX", wick_count=1, vessel=SimpleNamespace(kind="container"))
    told = {phase: advice_on(candle, _result() | {"flags": ["soot-no-baseline"]}, phase) for phase in ("new", "alight")}
    assert told["new"] == ()
    assert [one.name for one in told["alight"]] == ["soot-no-baseline"]


# --- headspace ------------------------------------------------------------------------------------------------------


def _job(workspace: Workspace, code: str, moment: datetime, tmp_path: Path, make_jpeg: Jpeg, seed: int) -> MeasureJob:
    from pooleye.burnlog import find

    (tmp_path / "p.jpg").write_bytes(make_jpeg(None, seed=seed))
    with workspace.read() as session:
        place = bench.place_at(find.candle(session, code), moment)
    filed = file_photo(workspace, tmp_path / "p.jpg", place, found_how="given")
    with workspace.read() as session:
        return job_for(session, workspace, session.get_one(Photo, filed.photo_id))


def test_headspace_follows_from_what_was_burnt(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg
) -> None:
    # Bore 75 mm, 0.90 g/cm³: 22.25 g are 5.596 mm of level, half of it half way (m = ρ·A·h).
    code, *_ = three(workspace, headspace_mm=20.0)
    weigh(workspace, code, 285.40)
    new = _job(workspace, code, clock(), tmp_path, make_jpeg, 1)
    lit = clock()
    light(workspace, [code])
    clock.forward(hours=4)
    snuff(workspace, [code])
    clock.forward(hours=5)
    weigh(workspace, code, 263.15)
    half = _job(workspace, code, lit + timedelta(hours=2), tmp_path, make_jpeg, 2)
    after = _job(workspace, code, lit + timedelta(hours=4, minutes=5), tmp_path, make_jpeg, 3)
    assert (new.headspace_mm, new.baseline) == (20.0, None)
    assert half.headspace_mm == pytest.approx(20.0 + 2.798, abs=0.005)
    assert after.headspace_mm == pytest.approx(20.0 + 5.596, abs=0.005)
    assert half.headspace_how == "new headspace and weighings"
    assert half.baseline_sha256 is not None
    assert half.baseline_headspace_mm == 20.0


def test_an_unknown_headspace_is_not_invented(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    job = _job(workspace, code, clock.forward(hours=1), tmp_path, make_jpeg, 1)
    assert (job.headspace_mm, job.headspace_how) == (None, None)


def test_a_nominal_rate_stands_in_only_while_it_cannot_be_far_wrong(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg
) -> None:
    code, *_ = three(workspace, headspace_mm=20.0)
    lit = clock()
    light(workspace, [code])
    early = _job(workspace, code, lit + timedelta(hours=1), tmp_path, make_jpeg, 1)
    late = _job(workspace, code, lit + timedelta(hours=12), tmp_path, make_jpeg, 2)
    assert early.headspace_how == "new headspace and a nominal burn rate"
    assert late.headspace_mm is None


# --- a folder -------------------------------------------------------------------------------------------------------


def _session(
    workspace: Workspace, clock: Any, codes: tuple[str, ...], burns: int = 3
) -> list[tuple[str, int, float, datetime]]:
    """Burn candles together, staggered by ten minutes; returns (code, burn, minutes, moment) of every look."""
    looks = []
    for number in range(1, burns + 1):
        for index, code in enumerate(codes):
            lit = clock() + timedelta(minutes=10 * index)
            light(workspace, [code], at=lit)
            looks += [(code, number, minutes, lit + timedelta(minutes=minutes + 2)) for minutes in (60.0, 120.0, 239.0)]
        clock.forward(hours=7)
        for index, code in enumerate(codes):
            snuff(workspace, [code], at=clock() - timedelta(hours=3) + timedelta(minutes=10 * index + 3))
        clock.forward(hours=17)
    return looks


def _places(workspace: Workspace) -> dict[str, tuple[str, int | None, float | None]]:
    """Original name -> (candle, burn, checkpoint)."""
    with workspace.read() as session:
        return {
            one.original_name: (
                one.candle.code,
                one.burn.number if one.burn else None,
                one.checkpoint.minutes if one.checkpoint else None,
            )
            for one in session.scalars(select(Photo))
        }


def test_a_shuffled_folder_of_a_whole_trial_is_filed_without_a_mistake(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    codes = three(workspace, 9)
    looks = _session(workspace, clock, codes)
    shuffled = list(enumerate(looks))
    random.Random(7).shuffle(shuffled)
    (tmp_path / "in").mkdir()
    expected = {}
    for name, (seed, (code, burn, minutes, moment)) in enumerate(shuffled):
        data = make_jpeg(_wall(workspace, moment), seed=seed, code=code)
        (tmp_path / "in" / f"IMG_{name:04d}.jpg").write_bytes(data)
        expected[f"IMG_{name:04d}.jpg"] = (code, burn, 240.0 if minutes == 239 else minutes)
    summary = run_batch(workspace, tmp_path / "in", executor=threads, measure=fake)
    assert (summary.filed, summary.measured, summary.undecided, summary.unreadable) == (81, 81, (), ())
    assert _places(workspace) == expected
    again = run_batch(workspace, tmp_path / "in", executor=threads, measure=fake)
    assert (again.filed, again.measured, again.already) == (0, 0, 81)
    assert checking.check_all(workspace).sound


def test_photos_without_label_go_by_time_where_one_candle_burnt_and_are_listed_where_two_did(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    one, two, _ = three(workspace)
    light(workspace, [one])
    alone = clock.forward(minutes=60)
    clock.forward(minutes=30)
    light(workspace, [two])
    both = clock.forward(minutes=30)
    for seed, moment in enumerate((alone, both)):
        (tmp_path / f"IMG_{seed}.jpg").write_bytes(make_jpeg(_wall(workspace, moment), seed=seed))
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert _places(workspace) == {"IMG_0.jpg": (one, 1, 60.0)}
    (left,) = summary.undecided
    assert left.photo == "IMG_1.jpg"
    assert one in left.why
    assert two in left.why


def test_names_place_photos_without_time(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = codes = three(workspace)
    _session(workspace, clock, codes)
    folder = tmp_path / "in" / code
    folder.mkdir(parents=True)
    names = {"b2_120min_top.jpg": (code, 2, 120.0), "new.jpg": (code, None, None), "burn3 1h side.jpg": (code, 3, 60.0)}
    for seed, name in enumerate([*names, "b2.jpg", "top.jpg", "b9_60min.jpg"]):
        (folder / name).write_bytes(make_jpeg(None, seed=seed))
    summary = run_batch(workspace, tmp_path / "in", executor=threads, measure=fake)
    assert _places(workspace) == names
    assert len(summary.undecided) == 3


@pytest.mark.parametrize("offset", [timedelta(hours=-1), timedelta(minutes=37), timedelta(days=-3, hours=2)])
def test_a_camera_clock_that_is_off_is_found_from_the_session_itself(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor, offset: timedelta,
) -> None:  # fmt: skip
    codes = three(workspace)
    looks = _session(workspace, clock, codes, burns=2)
    expected = {}
    for seed, (code, burn, minutes, moment) in enumerate(looks):
        data = make_jpeg(_wall(workspace, moment - offset), seed=seed, code=code)
        (tmp_path / f"{seed}.jpg").write_bytes(data)
        expected[f"{seed}.jpg"] = (code, burn, 240.0 if minutes == 239 else minutes)
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert summary.clock_offset_how == "from-session"
    assert summary.clock_offset_s == pytest.approx(offset.total_seconds(), abs=180)
    assert _places(workspace) == expected


def test_a_given_clock_offset_is_used_and_kept(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    moment = clock.forward(minutes=60)
    (tmp_path / "a.jpg").write_bytes(make_jpeg(_wall(workspace, moment) - timedelta(hours=3), code=code))
    run_batch(workspace, tmp_path, executor=threads, measure=fake, clock_offset_s=3 * 3600.0)
    assert _places(workspace) == {"a.jpg": (code, 1, 60.0)}
    with workspace.read() as session:
        photo = session.scalars(select(Photo)).one()
        assert (photo.taken_at, photo.clock_offset_s) == (moment, 10800.0)


def test_evidence_that_contradicts_itself_is_listed_not_settled(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    one, two, _ = codes = three(workspace)
    looks = _session(workspace, clock, codes, burns=2)
    moment = looks[0][3]
    cases = {
        f"{two}.jpg": make_jpeg(_wall(workspace, moment), seed=1, code=one),
        f"{one}_b2_60min.jpg": make_jpeg(_wall(workspace, moment), seed=2),
        f"{one}_b1_4h.jpg": make_jpeg(_wall(workspace, moment), seed=3),
        f"{one}_new.jpg": make_jpeg(_wall(workspace, moment), seed=4),
        f"{one}_{two}.jpg": make_jpeg(_wall(workspace, moment), seed=5),
        f"{one}_early.jpg": make_jpeg(datetime(2009, 5, 1), seed=6),
    }
    for name, data in cases.items():
        (tmp_path / name).write_bytes(data)
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert {left.photo for left in summary.undecided} == set(cases)
    assert _count(workspace, Photo) == 0


def test_a_dry_run_says_where_photos_would_go_and_changes_nothing(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    (tmp_path / "a.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=61)), code=code))
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake, dry_run=True)
    assert [(one.photo, one.place) for one in summary.placed] == [("a.jpg", f"{code} burn 1 at 1 h 01")]
    assert (_count(workspace, Photo), list(workspace.photos.rglob("*.jpg"))) == (0, [])


def test_files_that_cannot_be_read_are_named_and_the_others_go_on(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    good = make_jpeg(_wall(workspace, clock.forward(minutes=60)), code=code)
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "good.jpg").write_bytes(good)
    (tmp_path / "in" / "empty.jpg").write_bytes(b"")
    (tmp_path / "in" / "text.heic").write_text("a recipe")
    (tmp_path / "in" / "twice.jpg").write_bytes(good)
    (tmp_path / "in" / ".hidden.jpg").write_bytes(good)
    (tmp_path / "in" / "notes.txt").write_text("no photo")
    summary = run_batch(workspace, tmp_path / "in", executor=threads, measure=fake)
    assert {left.photo for left in summary.unreadable} == {"empty.jpg", "text.heic"}
    assert (summary.filed, summary.already) == (1, 1)


def test_ctrl_c_ends_a_batch_with_what_was_done_and_it_continues_later(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    for seed in range(12):
        (tmp_path / f"{seed}.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=5)), seed=seed))

    def impatient(step: str, done: int, _of: int) -> None:
        if (step, done) == ("measure", 5):
            raise KeyboardInterrupt

    first = run_batch(workspace, tmp_path, executor=threads, measure=fake, progress=impatient)
    assert first.interrupted
    assert first.measured == 5
    second = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert not second.interrupted
    assert first.measured + second.measured == 12
    assert (_count(workspace, Photo), _count(workspace, Reading), _count(workspace, Measurement)) == (12, 12, 12)
    with workspace.read() as session:
        assert unmeasured(session) == []


def test_new_candles_are_measured_before_the_photos_that_need_them_as_baseline(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace, headspace_mm=15.0)
    (tmp_path / "z.jpg").write_bytes(make_jpeg(_wall(workspace, clock()), seed=1, code=code))
    clock.forward(minutes=5)
    light(workspace, [code])
    (tmp_path / "a.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=60)), seed=2, code=code))
    run_batch(workspace, tmp_path, executor=threads, measure=fake)
    with workspace.read() as session:
        inputs = {one.photo.original_name: one.inputs for one in session.scalars(select(Reading))}
    assert inputs["z.jpg"]["baseline_sha256"] is None
    assert inputs["a.jpg"]["baseline_sha256"] == hashlib.sha256((tmp_path / "z.jpg").read_bytes()).hexdigest()


def test_a_new_method_measures_again_beside_the_old_and_lists_what_moved(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    for seed in range(3):
        (tmp_path / f"{seed}.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=30)), seed=seed))
    run_batch(workspace, tmp_path, executor=threads, measure=fake)
    same = remeasure(workspace, executor=threads, measure=fake)
    assert (same.measured, same.already, same.moved) == (0, 3, ())
    little = remeasure(workspace, executor=threads, measure=lambda job: fake(job, method="top/2", shift=0.09))
    assert (little.measured, little.moved) == (3, ())
    more = remeasure(workspace, executor=threads, measure=lambda job: fake(job, method="top/3", shift=0.3))
    assert {one.quantity for one in more.moved} == {"pool_diameter"}
    assert len(more.moved) == 3
    assert _count(workspace, Reading) == 9


def test_quantities_that_come_or_go_count_as_moved() -> None:
    before, after = _result(pool_offset=(1.0, 0.5, "mm")), _result(wick_offset=(1.0, 0.5, "mm"))
    found = {(one.quantity, one.before, one.after) for one in moved("p", before, after)}
    assert found == {("pool_offset", 1.0, None), ("wick_offset", None, 1.0)}


def test_a_photo_filed_under_the_wrong_candle_is_moved_with_its_numbers_and_the_history_knows(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    one, two, _ = three(workspace)
    light(workspace, [one, two])
    clock.forward(minutes=60)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    snap(workspace, tmp_path / "p.jpg", code=one, measure=fake)
    done = corrections.refile(workspace, "p.jpg", two, burn=1, minutes=60)
    assert (done.before, done.after) == (f"{one} burn 1 at 1 h 00", f"{two} burn 1 at 1 h 00")
    with workspace.read() as session:
        assert session.scalars(select(Measurement)).one().candle_id == session.scalars(select(Photo)).one().candle_id
    assert overview.show(workspace, one).burns[0].photos == ()
    assert any("candle_id" in entry.what for entry in corrections.history(workspace, two).entries)


def test_measuring_can_be_recorded_only_once(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    job = _job(workspace, code, clock(), tmp_path, make_jpeg, 1)
    assert record_reading(workspace, job, fake(job))
    assert not record_reading(workspace, job, fake(job))
    assert (_count(workspace, Reading), _count(workspace, Measurement)) == (1, 1)


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(PooleyeError):
        photos_in(tmp_path / "nowhere")


def test_summaries_and_results_are_plain_json(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    from pooleye.burnlog.results import as_json

    code, *_ = three(workspace)
    light(workspace, [code])
    (tmp_path / "a.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=60)), code=code))
    run_batch(workspace, tmp_path, executor=threads, measure=fake)
    shown = json.loads(json.dumps(as_json(overview.show(workspace, code)), allow_nan=False))
    (photo,) = shown["burns"][0]["photos"]
    assert photo["quantities"]["pool_diameter"]["unit"] == "mm"
    assert shown["burns"][0]["lit_at"].endswith("Z")


def test_an_offset_is_not_taken_from_too_few_looks() -> None:
    import numpy as np

    hour = np.array([3600.0, 7200.0, 14400.0])
    assert matching._best_offset([]).how == "none"
    assert matching._best_offset([hour, hour - 3600]).how == "none"


def test_two_offsets_that_fit_alike_are_not_chosen_between() -> None:
    import numpy as np

    looks = np.array([3600.0, 7200.0, 14400.0])
    same = [looks.copy() for _ in range(4)]
    assert matching._best_offset(same).how == "none"


def test_a_clock_that_fits_no_burn_and_no_single_offset_files_nothing_by_time(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    moment = clock.forward(minutes=60)
    clock.forward(hours=4)
    snuff(workspace, [code])
    for seed in range(6):
        # All of one minute, a day late: each look of the burn would explain them alike.
        data = make_jpeg(_wall(workspace, moment + timedelta(hours=17, seconds=seed)), seed=seed, code=code)
        (tmp_path / f"{seed}.jpg").write_bytes(data)
    clock.forward(days=2)
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert summary.clock_offset_how == "unclear"
    assert (summary.filed, len(summary.undecided)) == (0, 6)
    assert any("--clock-offset" in line for line in summary.said())


def test_looks_away_from_the_plan_are_filed_at_their_own_minute(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    for seed in range(4):
        data = make_jpeg(_wall(workspace, clock.forward(minutes=6)), seed=seed, code=code)
        (tmp_path / f"{seed}.jpg").write_bytes(data)
    run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert {one[2] for one in _places(workspace).values()} == {6.0, 12.0, 18.0, 24.0}


def test_time_with_zone_in_the_photo_needs_no_workshop_clock(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    moment = clock.forward(minutes=60)
    tokyo = moment.astimezone(UTC) + timedelta(hours=9)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(tokyo.replace(tzinfo=None), offset="+09:00"))
    assert snap(workspace, tmp_path / "p.jpg", code=code, measure=fake).place.minutes_alight == pytest.approx(60)


def test_pours_of_two_kinds_of_vessel_keep_their_own_measures(
    workspace: Workspace, tmp_path: Path, make_jpeg: Jpeg, clock: Any
) -> None:
    sets = [CandleSet(1, "jar", "wick 3", rim_inner_mm=75.0), CandleSet(1, "cup", "tea wick", rim_inner_mm=37.0)]
    jar, cup = pour(workspace, Recipe("soy"), sets).codes
    assert _job(workspace, jar, clock(), tmp_path, make_jpeg, 1).vessel == (75.0, None, None, None)
    assert _job(workspace, cup, clock(), tmp_path, make_jpeg, 2).vessel == (37.0, None, None, None)


def test_a_batch_that_continues_judges_the_camera_clock_as_the_first_run_did(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    codes = three(workspace)
    looks = _session(workspace, clock, codes, burns=1)
    for seed, (code, _, _, moment) in enumerate(looks):
        data = make_jpeg(_wall(workspace, moment) - timedelta(hours=30), seed=seed, code=code)
        (tmp_path / f"{seed}.jpg").write_bytes(data)

    def impatient(step: str, done: int, _of: int) -> None:
        if (step, done) == ("measure", 4):
            raise KeyboardInterrupt

    first = run_batch(workspace, tmp_path, executor=threads, measure=fake, progress=impatient)
    # What is left would be too few looks to find the offset from.
    second = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert first.interrupted
    assert first.clock_offset_s == second.clock_offset_s
    assert second.undecided == ()
    assert {one[2] for one in _places(workspace).values()} == {60.0, 120.0, 240.0}
    assert len(_places(workspace)) == len(looks)


def test_a_photo_whose_measuring_fails_is_listed_stays_filed_and_is_measured_by_a_later_run(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    for seed in range(3):
        data = make_jpeg(_wall(workspace, clock.forward(minutes=60)), seed=seed, code=code)
        (tmp_path / f"{seed}.jpg").write_bytes(data)

    def stumbles(job: MeasureJob) -> dict[str, Any]:
        if job.name == "1.jpg":
            raise ZeroDivisionError("a wall without width")
        return fake(job)

    first = run_batch(workspace, tmp_path, executor=threads, measure=stumbles)
    assert [(one.photo, "ZeroDivisionError" in one.why) for one in first.unreadable] == [("1.jpg", True)]
    assert (first.filed, first.measured) == (3, 2)
    second = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert (second.filed, second.measured, second.unreadable) == (0, 1, ())


def test_a_value_by_hand_stands_beside_the_tools_and_outlives_a_new_method(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(minutes=60)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    snapped = snap(workspace, tmp_path / "p.jpg", code=code, measure=fake)
    tool = snapped.result["quantities"]["pool_diameter"]["value"]
    done = corrections.adjust(workspace, "p.jpg", "pool_diameter", "58mm", half_width="1mm", who="Ida")
    assert done.by_tool is not None
    assert (done.by_hand.value, done.by_tool.value) == (58.0, tool)
    assert done.by_hand.u == pytest.approx(1 / 3**0.5)
    corrections.adjust(workspace, "p.jpg", "pool_diameter", "57mm")
    again = remeasure(workspace, executor=threads, measure=lambda job: fake(job, method="top/2", shift=1.0))
    assert [one.before for one in again.moved] == [tool]
    (photo,) = overview.show(workspace, code).burns[0].photos
    assert photo.quantities["pool_diameter"].value == tool + 1.0
    assert photo.by_hand["pool_diameter"].value == 57.0
    with workspace.read() as session:
        kept = {(one.by, one.value) for one in session.scalars(select(Measurement))}
    assert kept == {("tool", tool), ("tool", tool + 1.0), ("hand", 58.0), ("hand", 57.0)}


@pytest.mark.parametrize(
    ("quantity", "value"), [("pool_diametre", "58mm"), ("pool_diameter", "wide"), ("tilt", "a lot")]
)
def test_impossible_values_by_hand_are_refused(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake, quantity: str, value: str
) -> None:
    code, *_ = three(workspace)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    snap(workspace, tmp_path / "p.jpg", code=code, measure=fake)
    with pytest.raises(PooleyeError):
        corrections.adjust(workspace, "p.jpg", quantity, value)


def test_heic_png_and_clips_are_filed_like_any_photo(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    import io

    import pillow_heif
    from PIL import Image

    code, other, _ = three(workspace)
    light(workspace, [code, other])
    moment = clock.forward(minutes=60)
    picture = Image.open(io.BytesIO(make_jpeg(_wall(workspace, moment), code=code)))
    folder = tmp_path / "in"
    folder.mkdir()
    pillow_heif.from_pillow(picture).save(folder / "IMG_1.HEIC", exif=picture.getexif().tobytes(), quality=90)
    picture.save(folder / "IMG_2.png", exif=picture.getexif())
    (folder / f"{other}_b1_1h_side.mp4").write_bytes(b"\x00\x00\x00\x18ftypisom" + bytes(200))
    (folder / "MOV_3.mov").write_bytes(b"\x00\x00\x00\x14ftypqt  " + bytes(100))
    summary = run_batch(workspace, folder, executor=threads, measure=fake)
    assert _places(workspace) == {
        "IMG_1.HEIC": (code, 1, 60.0),
        "IMG_2.png": (code, 1, 60.0),
        f"{other}_b1_1h_side.mp4": (other, 1, 60.0),
    }
    assert [left.photo for left in summary.undecided] == ["MOV_3.mov"]
    with workspace.read() as session:
        views = {one.original_name: (one.view, one.suffix) for one in session.scalars(select(Photo))}
    assert views[f"{other}_b1_1h_side.mp4"] == ("side", ".mp4")
    assert views["IMG_1.HEIC"] == ("auto", ".heic")


def test_a_status_of_hundreds_of_candles_takes_a_handful_of_queries(
    workspace: Workspace, three: Three, clock: Any
) -> None:
    from sqlalchemy import event

    def queries(count: int) -> int:
        three(workspace, count, vessel=f"jar {count}")
        seen: list[str] = []

        def heard(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
            seen.append(statement)

        event.listen(workspace.engine, "before_cursor_execute", heard)
        overview.status(workspace)
        event.remove(workspace.engine, "before_cursor_execute", heard)
        return len(seen)

    # Growth, not speed: three hundred candles more cost no query more.
    assert queries(3) == queries(300) <= 8


def test_minutes_that_were_given_place_a_photo_whatever_its_clock_says(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    lit = clock()
    clock.forward(minutes=200)
    (tmp_path / "p.jpg").write_bytes(make_jpeg(datetime(2040, 1, 1)))
    done = snap(workspace, tmp_path / "p.jpg", minutes=60, measure=fake)
    assert (done.place.checkpoint_minutes, done.advice) == (60.0, ())
    # It was placed by its minutes, so a corrected lighting does not move it.
    corrections.correct(workspace, "burn", f"{code}/1", "lit-at", (lit - timedelta(minutes=30)).isoformat())
    assert _places(workspace) == {"p.jpg": (code, 1, 60.0)}


def test_a_photo_that_its_own_clock_placed_moves_with_a_corrected_lighting(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    code, *_ = three(workspace)
    light(workspace, [code])
    lit = clock()
    (tmp_path / "p.jpg").write_bytes(make_jpeg(_wall(workspace, clock.forward(minutes=60))))
    snap(workspace, tmp_path / "p.jpg", measure=fake)
    done = corrections.correct(workspace, "burn", f"{code}/1", "lit-at", (lit - timedelta(minutes=60)).isoformat())
    assert [one.name for one in done.advice] == ["photos-moved"]
    assert _places(workspace) == {"p.jpg": (code, 1, 120.0)}


def test_a_photo_filed_before_stays_where_it_is_and_says_how_to_move_it(
    workspace: Workspace, three: Three, tmp_path: Path, make_jpeg: Jpeg, fake: Fake
) -> None:
    one, two, _ = three(workspace)
    light(workspace, [one, two])
    (tmp_path / "p.jpg").write_bytes(make_jpeg(None))
    snap(workspace, tmp_path / "p.jpg", code=one, measure=fake)
    again = snap(workspace, tmp_path / "p.jpg", code=two, measure=fake)
    assert again.place.candle == one
    assert [advice.name for advice in again.advice] == ["filed-elsewhere"]


def test_a_clock_that_cannot_be_right_leaves_the_place_to_the_name_alone(
    workspace: Workspace, three: Three, clock: Any, tmp_path: Path, make_jpeg: Jpeg, fake: Fake,
    threads: ThreadPoolExecutor,
) -> None:  # fmt: skip
    code, *_ = three(workspace)
    light(workspace, [code])
    clock.forward(hours=5)
    # The burn still runs: a time years ahead would lie in it.
    ahead, behind = _wall(workspace, clock()) + timedelta(days=1500), datetime(2009, 1, 1)
    cases = {f"{code}_b1_1h.jpg": ahead, f"{code}_b1_2h.jpg": behind, f"{code}.jpg": ahead, "IMG_9.jpg": ahead}
    for seed, (name, taken) in enumerate(cases.items()):
        (tmp_path / name).write_bytes(make_jpeg(taken, seed=seed))
    summary = run_batch(workspace, tmp_path, executor=threads, measure=fake)
    assert _places(workspace) == {f"{code}_b1_1h.jpg": (code, 1, 60.0), f"{code}_b1_2h.jpg": (code, 1, 120.0)}
    assert {one.photo for one in summary.undecided} == {f"{code}.jpg", "IMG_9.jpg"}
    with workspace.read() as session:
        assert session.scalars(select(Photo.taken_at)).all() == [None, None]
