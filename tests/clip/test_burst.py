"""Bursts of stills: order and times from what the photos tell, honest without; a hand that moves between them."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from drawn import Drawing
from PIL import Image

from pooleye.burnlog.burns import light
from pooleye.burnlog.bursts import snap_burst
from pooleye.burnlog.overview import show
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import create_workspace
from pooleye.burst import burst_pictures
from pooleye.errors import UsageError
from pooleye.flags import Declined
from pooleye.measuring import Vessel, measure_burst

BASE = Drawing(size_px=(640, 480), noise=1.0, distance_mm=330.0)
START = datetime(2026, 3, 1, 18, 59, 58)


def still(path: Path, drawing: Drawing, after_s: float | None, fraction: bool = True) -> Path:
    """A JPEG as a phone writes it, with the time of exposure in the fields of Exif 2.32 or without."""
    exif = Image.Exif()
    tags = exif.get_ifd(0x8769)
    tags[0xA405] = int(drawing.focal_35mm)
    if after_s is not None:
        moment = START + timedelta(seconds=after_s)
        tags[0x9003] = moment.strftime("%Y:%m:%d %H:%M:%S")
        if fraction:
            tags[0x9291] = f"{moment.microsecond // 1000:03d}"
    Image.fromarray(drawing.pixels()).save(path, quality=95, exif=exif)
    return path


def burst(
    folder: Path, times_s: Sequence[float], frequency_hz: float, shake_px: float = 0.0, **how: bool
) -> list[Path]:
    """Stills of a flame that swings by 3 mm about 30 mm, the hand jumping between them."""
    jumps = np.random.default_rng(2).normal(0.0, 1.0, (len(times_s), 2)) * shake_px
    drawings = [
        replace(BASE, flame_mm=30.0 + 3.0 * np.sin(2 * np.pi * frequency_hz * t), shift_px=(float(x), float(y)), seed=k)
        for k, (t, (x, y)) in enumerate(zip(times_s, jumps, strict=True))
    ]
    return [
        still(folder / f"IMG_{k:02d}.jpg", one, t, **how)
        for k, (one, t) in enumerate(zip(drawings, times_s, strict=True))
    ]


def uneven_times(count: int, rate_hz: float) -> list[float]:
    return np.cumsum(np.random.default_rng(4).uniform(0.7, 1.3, count) / rate_hz).round(3).tolist()


def test_frequency_and_spread_from_the_photos_own_times(tmp_path: Path):
    """The stills come in any order; the camera's clock runs over a full minute on the way."""
    times = uneven_times(24, 9.0)
    paths = burst(tmp_path, times, 2.0, shake_px=4.0)
    measured = measure_burst(paths[::-1], BASE.vessel, headspace_mm=BASE.headspace_mm)
    found = measured.result.quantities
    assert measured.result.status == "measured", measured.result.hint
    assert measured.series is not None
    assert measured.series.times_s == pytest.approx(np.array(times) - times[0], abs=1e-3)
    assert abs(found["flicker_frequency"].value - 2.0) <= 2 * found["flicker_frequency"].u < 0.4
    assert found["flicker_amplitude"].value == pytest.approx(3.0, abs=0.6)
    assert abs(found["flame_height"].value - 30.0) <= 2 * found["flame_height"].u
    assert found["flame_height_max"].value == pytest.approx(33.0, abs=1.5)


@pytest.mark.parametrize("how", [{"fraction": False}, {}], ids=["whole seconds", "two at one time"])
def test_without_usable_times_there_is_a_spread_and_no_frequency(tmp_path: Path, how: dict[str, bool]):
    times = uneven_times(8, 4.0) if how else [0.0, 0.2, 0.2, 0.5, 0.9, 1.1, 1.4, 1.5]
    result = measure_burst(burst(tmp_path, times, 1.3, **how), BASE.vessel, headspace_mm=BASE.headspace_mm).result
    assert "clip-times-missing" in result.flags
    assert "flicker_frequency" not in result.quantities
    assert {"flicker_amplitude", "flame_height", "flame_height_max"} <= set(result.quantities)


@pytest.mark.parametrize(("jump_px", "within_mm"), [(40, 1.3), (150, 2.0)], ids=["a little", "too far to be followed"])
def test_a_steady_flame_is_steady_in_a_hand_that_jumps(tmp_path: Path, jump_px: int, within_mm: float):
    paths = [
        still(tmp_path / f"{k}.jpg", replace(BASE, shift_px=(jump_px * x, 10 * y), seed=k), 0.3 * k)
        for k, (x, y) in enumerate([(0, 0), (1, 1), (-0.9, -0.8), (0.7, 0), (-1, 1), (0, 0)])
    ]
    measured = measure_burst(paths, BASE.vessel, headspace_mm=BASE.headspace_mm)
    assert measured.series is not None
    assert len(measured.series.heights_mm) >= 5
    assert np.ptp(measured.series.heights_mm) < within_mm
    amplitude = measured.result.quantities["flicker_amplitude"]
    assert amplitude.value <= 2 * amplitude.u


def test_what_is_no_burst_is_said(tmp_path: Path):
    paths = burst(tmp_path, [0.0, 0.3, 0.6], 2.0)
    with pytest.raises(UsageError, match="3 to 60 photos"):
        burst_pictures(paths[:2])
    with pytest.raises(UsageError, match="the same photo"):
        burst_pictures([*paths, paths[0]])
    other = still(tmp_path / "other.jpg", replace(BASE, size_px=(800, 600)), 1.0)
    with pytest.raises(UsageError, match="another size"):
        burst_pictures([*paths, other])
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(b"no photo")
    with pytest.raises(Declined) as caught:
        burst_pictures([*paths, broken])
    assert "broken.jpg" in (caught.value.hint or "")


def test_the_command(tmp_path: Path, command):
    paths = [str(path) for path in burst(tmp_path, [0.0, 0.3, 0.6, 0.8, 1.1], 1.0)]
    sizes = ["--rim-inner", "74", "--rim-outer", "80", "--vessel-height", "90", "--headspace", "28"]
    status, out, _ = command("burst", *paths, *sizes, "--json", "--overlay", str(tmp_path / "seen"))
    result = json.loads(out)
    assert status == 0
    assert (result["view"], result["photo"]) == ("side", paths[0])
    assert result["quantities"]["flame_height_max"]["value"] > result["quantities"]["flame_height"]["value"]
    assert (tmp_path / "seen" / "IMG_00_burst.jpg").exists()
    status, out, _ = command("burst", *paths[:2], *sizes)
    assert status == 2


def test_filed_in_a_log_a_burst_gives_its_checkpoint_the_same_numbers(tmp_path: Path):
    workspace = create_workspace(tmp_path / "log", Settings(name="Lantern Lane", zone="+00:00"))
    rim_mm = BASE.vessel.rim_inner_mm
    alike = CandleSet(1, vessel="jar", rim_inner_mm=rim_mm, wick="wick 3")
    lit = START.replace(tzinfo=UTC) - timedelta(hours=1)
    (code,) = pour(workspace, Recipe("soy"), [alike], at=lit - timedelta(days=30)).codes
    light(workspace, [code], at=lit)
    (tmp_path / "camera").mkdir()
    stills = burst(tmp_path / "camera", uneven_times(24, 9.0), frequency_hz=1.7)
    done = snap_burst(workspace, stills)
    alone = measure_burst(stills, Vessel(rim_mm)).result
    (look,) = show(workspace, code).burns[0].photos
    workspace.close()
    assert (done.place.checkpoint_minutes, look.status) == (60.0, "measured")
    assert {"flicker_amplitude", "flicker_frequency"} <= set(look.quantities)
    assert {name: one.value for name, one in look.quantities.items()} == pytest.approx(
        {name: one.value for name, one in alone.quantities.items()},
        rel=2e-3,  # kept to the digits that u allows
        abs=5e-3,
    )
