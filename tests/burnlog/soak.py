"""Kills batches and snaps with kill -9 at random moments and checks that nothing is lost, nothing is there twice.

    python tests/burnlog/soak.py --kills 50

Each round begins a log with a burning session and a folder of photos, starts a batch (own cores, or threads) or a row
of snaps in a process of its own, kills it, checks the log, runs it again to its end and checks again. The report is one
JSON object; the exit status is 1 if anything was wrong. The measuring is a stand-in that takes ten milliseconds and
gives numbers that follow from the photo alone, so that a wrong pairing shows.
"""

from __future__ import annotations

import argparse
import hashlib
import io
import json
import random
import signal
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pooleye.burnlog.filing import MeasureJob

START = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)
PHOTOS = 24
KINDS = ("batch-threads", "snap", "batch-threads", "snap", "batch-cores")


def stand_in(job: MeasureJob) -> dict[str, Any]:
    """A result whose number is made of the photo's own hash."""
    time.sleep(0.01)
    value = int(hashlib.sha256(Path(job.path).read_bytes()).hexdigest()[:6], 16) / 1e6
    result = {
        "photo": job.name, "view": "top", "status": "measured", "reason": None, "hint": None, "flags": [],
        "quantities": {"pool_diameter": {"value": value, "u": 0.5, "unit": "mm"}}, "by_clock": {}, "outlines_px": {},
        "method": "top/1", "seconds": 0.01,
    }  # fmt: skip
    return {"result": result, "parts": {}}


def child(kind: str, root: Path, folder: Path) -> None:
    """The process that is killed. Says "ready" when its imports are done, "done" at its end."""
    import cv2  # noqa: F401  what the work imports lazily belongs before "ready"

    from pooleye.burnlog import picture_codes, snap  # noqa: F401
    from pooleye.burnlog.batch import photos_in, run_batch
    from pooleye.burnlog.store import open_workspace, with_clock

    workspace = with_clock(open_workspace(root), START + timedelta(hours=6))
    print("ready", flush=True)
    if kind == "snap":
        for path in photos_in(folder):
            snap.snap(workspace, path, measure=stand_in)
    elif kind == "batch-threads":
        with ThreadPoolExecutor(2) as pool:
            run_batch(workspace, folder, executor=pool, measure=stand_in)
    else:
        run_batch(workspace, folder, workers=2, measure=stand_in)
    print("done", flush=True)


def _picture(seed: int, taken: datetime, code: str) -> bytes:
    import segno
    from PIL import Image

    from pooleye.burnlog.picture_codes import text_for

    drawn = io.BytesIO()
    segno.make(text_for(code), error="q", micro=False).save(drawn, kind="png", scale=5, border=4)
    picture = Image.new("RGB", (400, 300), (seed * 7 % 256, 120, 90))
    picture.paste(Image.open(drawn).convert("RGB"), (120, 60))
    exif = Image.Exif()
    exif.get_ifd(0x8769).update({0x9003: taken.strftime("%Y:%m:%d %H:%M:%S")})
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif)
    return out.getvalue()


def begin(root: Path, folder: Path, seed: int) -> dict[str, str]:
    """A log with four burning candles and a folder of their photos; returns sha256 -> code."""
    from pooleye.burnlog.burns import light
    from pooleye.burnlog.pours import CandleSet, Recipe, pour
    from pooleye.burnlog.settings import Settings
    from pooleye.burnlog.store import create_workspace, with_clock

    workspace = with_clock(create_workspace(root, Settings()), START)
    alike = CandleSet(4, "straight jar", "wick 3", rim_inner_mm=75.0, headspace_mm=15.0)
    codes = pour(workspace, Recipe("soy"), [alike], at=START - timedelta(days=30)).codes
    light(workspace, codes)
    workspace.close()
    folder.mkdir()
    truth = {}
    for index in range(PHOTOS):
        code = codes[index % 4]
        data = _picture(seed * 100 + index, START + timedelta(minutes=10 + 9 * index), code)
        (folder / f"IMG_{index:03d}.jpg").write_bytes(data)
        truth[hashlib.sha256(data).hexdigest()] = code
    return truth


def faults(root: Path, truth: dict[str, str], *, finished: bool) -> tuple[list[str], int]:
    """(what is wrong, photos filed). ``finished``: all must be there, measured."""
    from sqlalchemy import select

    from pooleye.burnlog.checking import check_all
    from pooleye.burnlog.records import Photo
    from pooleye.burnlog.store import open_workspace

    workspace = open_workspace(root)
    found = []
    checked = check_all(workspace)
    if not checked.sound:
        found.append(f"not sound: {checked.database} {checked.damaged}")
    with workspace.read() as session:
        photos = list(session.scalars(select(Photo)))
        hashes = [one.sha256 for one in photos]
        if len(set(hashes)) != len(hashes):
            found.append("a photo is there twice")
        for one in photos:
            if truth.get(one.sha256) != one.candle.code:
                found.append(f"{one.original_name} is at {one.candle.code}")
            found += _reading_faults(one, finished)
        if finished and set(hashes) != set(truth):
            found.append(f"{len(set(truth) - set(hashes))} photos are lost")
    workspace.close()
    return found, len(photos)


def _reading_faults(photo: Any, finished: bool) -> list[str]:
    readings = [one for one in photo.readings if one.status == "measured"]
    if len(readings) > 1 or (finished and not readings):
        return [f"{photo.original_name} has {len(readings)} readings"]
    expected = int(photo.sha256[:6], 16) / 1e6
    values = [one.value for reading in readings for one in reading.measurements]
    return (
        [] if values == [expected] * len(readings) else [f"{photo.original_name} has the numbers of another: {values}"]
    )


def _spawn(kind: str, root: Path, folder: Path) -> subprocess.Popen[str]:
    command = [sys.executable, __file__, "child", kind, str(root), str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, start_new_session=True)
    assert process.stdout is not None
    if process.stdout.readline().strip() != "ready":
        raise RuntimeError(f"{kind} did not start")
    return process


def _gone(session_id: int, within_s: float = 15.0) -> bool:
    """Whether every process of the killed one's session ends by itself."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if not _members(session_id):
            return True
        time.sleep(0.05)
    return False


def _members(session_id: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            fields = (entry / "stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[3]) == session_id and fields[0] != "Z":
            found.append(int(entry.name))
    return found


def one_round(number: int, kind: str, draw: random.Random, longest_s: float) -> dict[str, Any]:
    """Begin, kill, check, finish, check."""
    with tempfile.TemporaryDirectory(prefix="pooleye-soak-") as name:
        root, folder = Path(name) / "log", Path(name) / "photos"
        truth = begin(root, folder, number)
        process = _spawn(kind, root, folder)
        delay_s = draw.uniform(0.0, longest_s)
        try:
            process.wait(delay_s)
            ended = True
        except subprocess.TimeoutExpired:
            ended = False
            process.send_signal(signal.SIGKILL)
        process.wait()
        assert process.stdout is not None
        process.stdout.close()
        orphans = not _gone(process.pid)
        wrong, filed = faults(root, truth, finished=False)
        again = _spawn(kind, root, folder)
        assert again.stdout is not None
        rest = again.stdout.read()
        again.stdout.close()
        if again.wait() != 0 or "done" not in rest:
            wrong.append("the second run did not end well")
        late, _ = faults(root, truth, finished=True)
        wrong += late + (["workers outlived the killed process"] if orphans else [])
    return {"round": number, "kind": kind, "after_s": round(delay_s, 3), "ended_before": ended,
            "filed_when_killed": filed, "faults": wrong}  # fmt: skip


def _duration_s(kind: str) -> float:
    """How long an undisturbed run takes here."""
    with tempfile.TemporaryDirectory(prefix="pooleye-soak-") as name:
        root, folder = Path(name) / "log", Path(name) / "photos"
        begin(root, folder, 0)
        process = _spawn(kind, root, folder)
        started = time.monotonic()
        assert process.stdout is not None
        process.stdout.read()
        process.stdout.close()
        process.wait()
        return time.monotonic() - started


def _half_way(rounds: list[dict[str, Any]]) -> int:
    """Kills that met a batch or row of snaps with some photos filed and some not."""
    return sum(0 < one["filed_when_killed"] < PHOTOS for one in rounds)


def soak(kills: int, seed: int) -> dict[str, Any]:
    """All rounds; the report."""
    draw = random.Random(seed)
    durations = {kind: _duration_s(kind) for kind in dict.fromkeys(KINDS[: max(kills, 1)])}
    rounds: list[dict[str, Any]] = []
    # Where the machine's pace made too many kills come early or late, some more are added.
    while len(rounds) < kills or (_half_way(rounds) < kills // 5 and len(rounds) < 2 * kills):
        kind = KINDS[len(rounds) % len(KINDS)]
        rounds.append(one_round(len(rounds) + 1, kind, draw, durations[kind]))
    return {
        "kills": len(rounds),
        "seed": seed,
        "photos_a_round": PHOTOS,
        "undisturbed_s": {kind: round(took, 2) for kind, took in durations.items()},
        "killed_half_way": _half_way(rounds),
        "ended_before_the_kill": sum(one["ended_before"] for one in rounds),
        "faults": [f"round {one['round']} ({one['kind']}): {fault}" for one in rounds for fault in one["faults"]],
        "rounds": rounds,
    }


def main() -> None:
    """Parse, run, report."""
    if sys.argv[1:2] == ["child"]:
        child(sys.argv[2], Path(sys.argv[3]), Path(sys.argv[4]))
        return
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    report = soak(wanted.kills, wanted.seed)
    print(json.dumps(report))
    sys.exit(1 if report["faults"] else 0)


if __name__ == "__main__":
    main()
