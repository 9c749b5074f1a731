"""How a batch scales: one core against two, and memory from 100 to 2000 photos.

    python tests/burnlog/benchmark_batch.py                 # photos are measured by pooleye itself
    python tests/burnlog/benchmark_batch.py --stand-in      # by a stand-in, to see the log's own share

The photos are the test photos without their times, each again and again with other bytes after its end, so that each is
a file of its own. Prints one JSON object.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from pooleye.burnlog.filing import MeasureJob, measure_job

PHOTOS = Path(__file__).parents[1] / "photos"
START = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


def stand_in(job: MeasureJob) -> dict[str, Any]:
    """Loads the photo as measuring does, then computes for a fixed number of steps (some 0.15 s on one core)."""
    import numpy as np

    from pooleye.photo import load_photo

    photo = load_photo(job.path, long_side_px=1400)
    grey = photo.rgb.astype(np.float32).mean(axis=2)
    for _ in range(12):
        grey = np.sqrt(grey * grey + 1.0)
    result = {
        "photo": job.name, "view": "top", "status": "measured", "reason": None, "hint": None, "flags": [],
        "quantities": {"pool_diameter": {"value": float(grey.mean()), "u": 0.5, "unit": "mm"}}, "by_clock": {},
        "outlines_px": {}, "method": "stand-in/1", "seconds": 0.0,
    }  # fmt: skip
    return {"result": result, "parts": {}}


def _without_time(path: Path) -> bytes:
    """The photo without its EXIF: its own time would contradict the place that its name gives it here."""
    from PIL import Image

    out = io.BytesIO()
    with Image.open(path) as picture:
        picture.save(out, "JPEG", quality=95)
    return out.getvalue()


def begin(root: Path, folder: Path, count: int) -> None:
    """A log with twenty burning candles, and ``count`` photos of them placed by their names."""
    from pooleye.burnlog.burns import Lighting, light
    from pooleye.burnlog.pours import CandleSet, Recipe, pour
    from pooleye.burnlog.settings import Settings
    from pooleye.burnlog.store import create_workspace, with_clock

    workspace = with_clock(create_workspace(root, Settings()), START)
    alike = CandleSet(20, "straight jar", "wick 3", rim_inner_mm=80.0, headspace_mm=20.0)
    codes = pour(workspace, Recipe("soy"), [alike], at=START - timedelta(days=30)).codes
    light(workspace, codes, how=Lighting(kind="long"))
    workspace.close()
    folder.mkdir()
    sources = [_without_time(path) for path in sorted(PHOTOS.glob("*top*.jpg"))]
    for number in range(count):
        data = sources[number % len(sources)]
        minutes = (60, 120, 240, 480)[number % 4]
        (folder / f"{codes[number % 20]}_b1_{minutes}min_{number}.jpg").write_bytes(data + f"#{number}".encode())


def _rss_mb(pid: int) -> float:
    try:
        for line in Path(f"/proc/{pid}/status").read_text().splitlines():
            if line.startswith("VmRSS"):
                return int(line.split()[1]) / 1024
    except OSError:
        pass
    return 0.0


def _children(pid: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                if int((entry / "stat").read_text().rsplit(")", 1)[1].split()[1]) == pid:
                    found.append(int(entry.name))
            except OSError:
                continue
    return found


def watch(pid: int, peak: dict[str, float], stop: threading.Event) -> None:
    """Peak resident memory, MB: of the parent, and of its largest child."""
    while not stop.wait(0.1):
        peak["parent"] = max(peak["parent"], _rss_mb(pid))
        peak["worker"] = max([peak["worker"], *(_rss_mb(child) for child in _children(pid))])


def one_run(count: int, workers: int, real: bool) -> dict[str, Any]:
    """A batch of ``count`` photos on ``workers`` cores, in a process of its own."""
    with tempfile.TemporaryDirectory(prefix="pooleye-bench-") as name:
        root, folder = Path(name) / "log", Path(name) / "photos"
        begin(root, folder, count)
        command = [sys.executable, __file__, "child", str(root), str(folder), str(workers), "real" if real else ""]
        process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        peak, stop = {"parent": 0.0, "worker": 0.0}, threading.Event()
        watcher = threading.Thread(target=watch, args=(process.pid, peak, stop))
        watcher.start()
        out, _ = process.communicate()
        stop.set()
        watcher.join()
        shutil.rmtree(root)
    said = json.loads(out)
    return {"photos": count, "cores": workers, **said, "peak_mb": {key: round(one) for key, one in peak.items()}}


def child(root: Path, folder: Path, workers: int, real: bool) -> None:
    """The measured process: only the batch itself is timed."""
    from pooleye.burnlog.batch import run_batch
    from pooleye.burnlog.store import open_workspace, with_clock

    workspace = with_clock(open_workspace(root), START + timedelta(hours=20))
    started = time.perf_counter()
    summary = run_batch(workspace, folder, workers=workers, measure=measure_job if real else stand_in)
    took = time.perf_counter() - started
    print(json.dumps({"seconds": round(took, 2), "filed": summary.filed, "measured": summary.measured}))


def main() -> None:
    """Parse, run, report."""
    if sys.argv[1:2] == ["child"]:
        child(Path(sys.argv[2]), Path(sys.argv[3]), int(sys.argv[4]), sys.argv[5] == "real")
        return
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--stand-in", action="store_true")
    parser.add_argument("--photos", type=int, default=100, help="photos of the comparison of cores")
    parser.add_argument("--memory", type=int, nargs="*", default=[100, 500, 2000])
    wanted = parser.parse_args()
    real = not wanted.stand_in
    one, two = (one_run(wanted.photos, workers, real) for workers in (1, 2))
    memory = [one_run(count, 2, real) for count in wanted.memory]
    report = {
        "measured_by": "pooleye" if real else "stand-in",
        "cores_here": os.cpu_count(),
        "one_core": one,
        "two_cores": two,
        "speed_up": round(one["seconds"] / two["seconds"], 2),
        "memory": memory,
    }
    print(json.dumps(report, indent=1))


if __name__ == "__main__":
    main()
