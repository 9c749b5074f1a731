"""Speed and memory as ratios, so that they mean the same on every machine. Run it alone: python tests/benchmark.py

Each ratio compares two things measured by turns in one run, in medians. A 12-megapixel photo is made from a test photo:
enlarged, with a sensor's noise put back, since noise is what makes a JPEG slow to decode.
"""

from __future__ import annotations

import argparse
import json
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

PHOTOS = Path(__file__).parent / "photos"
SUBJECT, BASELINE = "d6_02_top.jpg", "d9_00_top.jpg"
SIDE_SUBJECTS = ("d1_01_side.jpg", "d3_02_side.jpg", "d7_02_side.jpg", "d9_02_side.jpg")  # glass, tin, ceramic, frosted
CLIP_FRAMES = 45
TWELVE_MEGAPIXELS = (4032, 3024)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=15)
    parser.add_argument("--memory-of", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    if options.memory_of is not None:
        print(peak_memory_mb(options.memory_of))
        return
    with tempfile.TemporaryDirectory() as folder:
        photo, clean = (twelve_megapixels(PHOTOS / name, Path(folder)) for name in (SUBJECT, BASELINE))
        report_speed(photo, clean, options.rounds)
        report_side(Path(folder), options.rounds)
    report_start(options.rounds)
    report_memory()


def twelve_megapixels(path: Path, folder: Path) -> Path:
    """The test photo at 4032 x 3024 with noise of 4 codes, JPEG quality 92, its EXIF kept."""
    from PIL import Image

    with Image.open(path) as image:
        exif = image.getexif()
        size = TWELVE_MEGAPIXELS if image.width > image.height else TWELVE_MEGAPIXELS[::-1]
        large = np.asarray(image.convert("RGB").resize(size, Image.Resampling.BICUBIC), dtype=np.float32)
    noise = np.random.default_rng(0).normal(0, 4, large.shape)
    target = folder / path.name
    Image.fromarray(np.clip(large + noise, 0, 255).astype(np.uint8)).save(target, quality=92, exif=exif.tobytes())
    return target


def report_speed(photo: Path, clean: Path, rounds: int) -> None:
    from pooleye.measuring import measure_photo
    from pooleye.photo import load_photo

    truth = {shot["file"]: shot for shot in json.loads((PHOTOS / "truth.json").read_text())["shots"]}[photo.name]
    vessel, headspace_mm = vessel_of(truth), float(round(truth["headspace_mm"]))

    def decode() -> object:
        return cv2.imread(str(photo))

    def load() -> object:
        return load_photo(photo)

    def measure() -> object:
        return measure_photo(photo, vessel, view="top", headspace_mm=headspace_mm)

    def measure_with_baseline() -> object:
        return measure_photo(photo, vessel, view="top", headspace_mm=headspace_mm, baseline=clean)

    print(f"12 megapixels, {photo.stat().st_size / 1e6:.1f} MB, one thread; result: {measured_words(measure())}")
    decode_s, load_s, measure_s, both_s = by_turns([decode, load, measure, measure_with_baseline], rounds)
    print(f"  one full decode by OpenCV     {1e3 * decode_s:7.1f} ms")
    print(f"  loading (reduced decode)      {1e3 * load_s:7.1f} ms   {load_s / decode_s:.2f} x one decode")
    print(
        f"  photo end to end              {1e3 * measure_s:7.1f} ms   {measure_s / decode_s:.2f} x one decode (bar 1.5)"
    )
    print(
        f"  with a baseline               {1e3 * both_s:7.1f} ms   {both_s / 2 / decode_s:.2f} x two decodes (bar 1.5)"
    )


def report_side(folder: Path, rounds: int) -> None:
    """Side photos, each over its own decode, and a clip over reading its pictures."""
    from pooleye.clip import Clip
    from pooleye.measuring import measure_photo

    shots = {shot["file"]: shot for shot in json.loads((PHOTOS / "truth.json").read_text())["shots"]}
    print("side photos of 12 megapixels, one thread")
    for name in SIDE_SUBJECTS:
        photo, shot = twelve_megapixels(PHOTOS / name, folder), shots[name]
        vessel, headspace_mm = vessel_of(shot), float(round(shot["headspace_mm"]))
        calls = [
            lambda path=photo: cv2.imread(str(path)),
            lambda path=photo, v=vessel, h=headspace_mm: measure_photo(path, v, view="side", headspace_mm=h),
        ]
        decode_s, measure_s = by_turns(calls, rounds)
        print(f"  {name:<28} {1e3 * measure_s:9.1f} ms   {measure_s / decode_s:.2f} x one decode (bar 1.5)")
    clip, drawing = drawn_clip(folder / "clip.mp4")
    calls = [
        lambda: sum(1 for _ in Clip(str(clip)).frames()),
        lambda: measure_photo(clip, drawing.vessel, headspace_mm=drawing.headspace_mm),
    ]
    read_s, measure_s = by_turns(calls, max(rounds // 5, 2))
    each_ms = 1e3 * measure_s / CLIP_FRAMES
    print(f"  {f'clip, each of {CLIP_FRAMES} pictures':<28} {each_ms:9.1f} ms   {measure_s / read_s:.1f} x reading it")


def drawn_clip(path: Path) -> tuple[Path, Any]:
    """A drawn flame that swings three times a second, 1280 x 960, H.264, 30 pictures a second."""
    import av

    sys.path.insert(0, str(Path(__file__).parent / "side"))
    from drawn import Drawing

    still = Drawing(size_px=(1280, 960))
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=30, options={"preset": "ultrafast"})
        stream.width, stream.height, stream.pix_fmt = 1280, 960, "yuv420p"
        for k in range(CLIP_FRAMES):
            height_mm = 30 + 2 * np.sin(2 * np.pi * 3 * k / 30)
            picture = replace(still, flame_mm=float(height_mm), seed=k).pixels()
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        container.mux(stream.encode(None))
    return path, still


def vessel_of(shot: dict) -> object:
    from pooleye.measuring import Vessel

    known = shot["vessel"]
    return Vessel(known["rim_inner_diameter_mm"], known.get("outer_diameter_mm"), height_mm=known.get("height_mm"))


def measured_words(result: object) -> str:
    return f"{result.status} {result.reason or str(result.quantities.get('pool_diameter', 'no pool'))}"


def report_start(rounds: int) -> None:
    python = sys.executable
    script = str(Path(python).with_name("pooleye"))
    commands = {
        "import typer": [python, "-c", "import typer"],
        "pooleye --help": [script, "--help"],
        "import pooleye": [python, "-c", "import pooleye"],
        "import pooleye.measuring": [python, "-c", "import pooleye.measuring"],
        "all for one photo": [python, "-c", "import pooleye.measuring, pooleye.photo, pooleye.top.measure"],
    }
    calls = [lambda c=command: subprocess.run(c, check=True, capture_output=True) for command in commands.values()]
    times_s = by_turns(calls, rounds)
    print("starting, in new processes")
    for name, seconds in zip(commands, times_s, strict=True):
        bar = " (bar 1.5)" if name == "pooleye --help" else ""
        print(f"  {name:<26} {1e3 * seconds:10.0f} ms   {seconds / times_s[0]:.2f} x import typer{bar}")


def report_memory() -> None:
    few, many = (
        float(subprocess.run([sys.executable, __file__, "--memory-of", str(n)], check=True, capture_output=True).stdout)
        for n in (2, 20)
    )
    print(f"peak memory: {few:.0f} MB after 2 photos of 12 megapixels, {many:.0f} MB after 20 (bar 400, flat)")


def peak_memory_mb(count: int) -> float:
    """Peak resident memory of this process after measuring `count` photos, the making of the photo done elsewhere."""
    from pooleye.measuring import measure_photo

    with tempfile.TemporaryDirectory() as folder:
        make = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import benchmark, pathlib;"
        make += f"print(benchmark.twelve_megapixels(benchmark.PHOTOS / {SUBJECT!r}, pathlib.Path({folder!r})))"
        made = subprocess.run([sys.executable, "-c", make], check=True, capture_output=True, text=True)
        shots = {shot["file"]: shot for shot in json.loads((PHOTOS / "truth.json").read_text())["shots"]}
        for _ in range(count):
            measure_photo(made.stdout.strip(), vessel_of(shots[SUBJECT]), view="top")
    return high_water_mb()


def high_water_mb() -> float:
    """Peak resident memory of this program alone; getrusage would count what its parent had before starting it."""
    status = Path("/proc/self/status").read_text()
    return next(float(line.split()[1]) / 1024 for line in status.splitlines() if line.startswith("VmHWM"))


def by_turns(calls: list[Callable[[], object]], rounds: int) -> list[float]:
    """Median seconds of each call, taken by turns so that a slow moment of the machine falls on all of them."""
    for call in calls:
        call()
    times: list[list[float]] = [[] for _ in calls]
    for _ in range(rounds):
        for call, taken in zip(calls, times, strict=True):
            start = time.perf_counter()
            call()
            taken.append(time.perf_counter() - start)
    return [statistics.median(taken) for taken in times]


if __name__ == "__main__":
    main()
