"""Clips: what comes out of phones' files and of damaged ones; a flame that flickers at a known frequency."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest
from drawn import Drawing

from pooleye.clip import MAX_FRAMES, Clip, _upright_pixels, is_clip
from pooleye.flags import Declined
from pooleye.measuring import measure_with_picture

SIZE = (640, 480)
BASE = Drawing(size_px=SIZE, noise=1.0, distance_mm=330.0)


def written(
    path: Path,
    pictures: list[np.ndarray],
    times_s: np.ndarray,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    options: dict[str, str] | None = None,
) -> Path:
    """A clip with exactly these times (to a 90 kHz tick, as in phones' files)."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=30, options=options or {"preset": "ultrafast", "crf": "18"})
        stream.width, stream.height = pictures[0].shape[1], pictures[0].shape[0]
        stream.pix_fmt = pixel_format
        stream.codec_context.time_base = Fraction(1, 90000)
        for picture, time_s in zip(pictures, times_s, strict=True):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = round(time_s * 90000), Fraction(1, 90000)
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def flickering(
    times_s: np.ndarray, frequency_hz: float, amplitude_mm: float = 2.0, shake_px: float = 0.0
) -> list[np.ndarray]:
    """Pictures of a flame whose height swings about 30 mm while the hand wanders slowly."""
    heights = BASE.flame_mm + amplitude_mm * np.sin(2 * np.pi * frequency_hz * times_s)
    sway = shake_px * np.stack([np.sin(1.9 * times_s), np.sin(1.3 * times_s + 1)], axis=1)
    drawings = (
        replace(BASE, flame_mm=float(height), shift_px=(float(x), float(y)), seed=k)
        for k, (height, (x, y)) in enumerate(zip(heights, sway, strict=True))
    )
    return [drawing.pixels() for drawing in drawings]


def phone_times(rate_hz: float, length_s: float) -> np.ndarray:
    """Times at a rate that wanders, as in dim light."""
    count = round(rate_hz * length_s)
    steps = np.random.default_rng(5).uniform(0.8, 1.2, count) / rate_hz
    return np.cumsum(steps) - steps[0]


@pytest.mark.parametrize(
    ("rate_hz", "codec", "pixel_format", "shake_px"),
    [
        (24.0, "libx264", "yuv420p", 0.0),
        (30.0, "libx265", "yuv420p10le", 0.0),
        (48.0, "libx264", "yuv420p", 6.0),
    ],
    ids=["24 a second, H.264", "30 a second, HEVC 10 bit", "48 a second, hand-held"],
)
def test_flicker_of_known_frequency(tmp_path: Path, rate_hz: float, codec: str, pixel_format: str, shake_px: float):
    times = phone_times(rate_hz, 1.6)
    options = {"preset": "ultrafast", "crf": "18"} | ({"x265-params": "log-level=none"} if codec == "libx265" else {})
    path = written(
        tmp_path / "clip.mp4", flickering(times, 7.0, shake_px=shake_px), times, codec, pixel_format, options
    )
    measured = measure_with_picture(path, BASE.vessel, headspace_mm=BASE.headspace_mm)
    result, found = measured.result, measured.result.quantities
    assert (result.status, result.view) == ("measured", "side"), result.reason
    frequency, height = found["flicker_frequency"], found["flame_height"]
    assert abs(frequency.value - 7.0) <= 2 * frequency.u < 0.3
    assert found["flicker_amplitude"].value == pytest.approx(2.0, abs=0.4)
    assert abs(height.value - BASE.flame_mm) <= 2 * height.u
    assert found["flame_height_max"].value - height.value == pytest.approx(2.0, abs=0.5)
    assert measured.series is not None
    assert measured.series.times_s == pytest.approx(times, abs=2e-4)


def test_a_steady_flame_in_a_moving_hand_does_not_flicker(tmp_path: Path):
    times = phone_times(30.0, 1.2)
    path = written(tmp_path / "clip.mov", flickering(times, 5.0, amplitude_mm=0.0, shake_px=8.0), times)
    found = measure_with_picture(path, BASE.vessel, headspace_mm=BASE.headspace_mm).result.quantities
    assert found["flicker_amplitude"].value < 0.3


def short_clip(path: Path, count: int = 6) -> Path:
    times = np.arange(count) / 30.0
    return written(path, flickering(times, 5.0), times)


def test_few_pictures_give_a_height_and_no_flicker(tmp_path: Path):
    result = measure_with_picture(short_clip(tmp_path / "a.mp4"), BASE.vessel, headspace_mm=BASE.headspace_mm).result
    assert "clip-too-short" in result.flags
    assert "flame_height" in result.quantities
    assert "flicker_frequency" not in result.quantities


def cut_in_half(path: Path) -> None:
    data = short_clip(path).read_bytes()
    path.write_bytes(data[: len(data) // 2])


def only_sound(path: Path) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        frame.sample_rate, frame.pts = 8000, 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (cut_in_half, "cut short"),
        (only_sound, "no pictures"),
        (lambda path: path.write_bytes(b""), "is empty"),
        (lambda path: path.write_bytes(b"not a clip at all" * 100), "damaged or cut short"),
        (lambda path: path.mkdir(), "not an ordinary file"),
        (lambda path: None, "does not exist"),
    ],
    ids=["truncated", "only sound", "empty", "text", "folder", "missing"],
)
def test_what_is_no_clip_is_said_clearly(tmp_path: Path, make: Callable[[Path], object], words: str):
    path = tmp_path / "clip.mp4"
    make(path)
    with pytest.raises(Declined) as caught:
        list(Clip(str(path)).frames())
    assert caught.value.reference == "unreadable"
    assert words in caught.value.message
    assert caught.value.hint
    measured = measure_with_picture(path, BASE.vessel)
    assert (measured.result.reason, measured.unread) == ("unreadable", True)


def test_damage_further_on_ends_the_clip_and_is_flagged(tmp_path: Path):
    """Matroska can be read up to where it breaks off."""
    path = tmp_path / "clip.mkv"
    times = np.arange(30) / 30.0
    written(path, flickering(times, 5.0), times)
    data = path.read_bytes()
    path.write_bytes(data[: int(0.7 * len(data))])
    clip = Clip(str(path))
    frames = list(clip.frames())
    assert 5 < len(frames) < 30


def test_a_stream_without_times_gives_no_frequency(tmp_path: Path):
    """The bare H.264 stream, as it comes out of a container, knows no times; none are made up."""
    times = np.arange(20) / 30.0
    whole = written(tmp_path / "whole.mp4", flickering(times, 5.0), times)
    bare = tmp_path / "bare.mp4"
    with av.open(str(whole)) as source, bare.open("wb") as target:
        stream = source.streams.video[0]
        to_bare = av.BitStreamFilterContext("h264_mp4toannexb", stream)
        for packet in source.demux(stream):
            for part in to_bare.filter(packet):
                target.write(bytes(part))
    result = measure_with_picture(bare, BASE.vessel, headspace_mm=BASE.headspace_mm).result
    assert result.status == "measured", result.hint
    assert "clip-times-missing" in result.flags
    assert "flicker_frequency" not in result.quantities
    assert "flicker_amplitude" in result.quantities


def test_long_clips_are_read_in_part(tmp_path: Path):
    grey = [np.full((240, 320, 3), 90, np.uint8)] * (MAX_FRAMES + 5)
    path = written(tmp_path / "long.mp4", grey, np.arange(len(grey)) / 30.0)
    clip = Clip(str(path))
    assert sum(1 for _ in clip.frames()) == MAX_FRAMES
    assert clip.flags == ["clip-shortened"]


@pytest.mark.parametrize(
    ("rotation", "corner"), [(0, (0, 0)), (90, (-1, 0)), (180, (-1, -1)), (-90, (0, -1)), (270, (0, -1))]
)
def test_pictures_are_turned_upright(rotation: int, corner: tuple[int, int]):
    """FFmpeg gives the angle counter-clockwise; a mark in the stored top-left corner must move with it."""
    stored = np.zeros((60, 100, 3), np.uint8)
    stored[:10, :10] = 255
    whole = av.VideoFrame.from_ndarray(stored, format="rgb24")
    raw = SimpleNamespace(width=100, height=60, rotation=rotation, reformat=whole.reformat)
    upright = _upright_pixels(raw)  # type: ignore[arg-type]
    assert upright.shape[:2] == ((60, 100) if rotation % 180 == 0 else (100, 60))
    row, column = corner
    assert upright[row, column, 0] > 200


def test_clips_from_above_are_declined(tmp_path: Path):
    result = measure_with_picture(short_clip(tmp_path / "a.mp4", 2), BASE.vessel, view="top").result
    assert result.reason == "clip-from-above"


@pytest.mark.parametrize(("name", "clip"), [("a.MP4", True), ("b.mov", True), ("c.jpg", False), ("d", False)])
def test_clips_are_known_by_their_names(name: str, clip: bool):
    assert is_clip(name) is clip
