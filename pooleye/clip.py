"""Short clips in: the only code of pooleye that opens one.

Frames come out one at a time, upright (the display matrix applied), as 8-bit sRGB `Photo`s of a working size, each
with the time that the stream gives it. Times are never made up from a nominal frame rate: phones slow down in dim
light, and a wrong rate makes a wrong frequency. 10-bit and HDR frames are brought to 8 bits; their transfer curve
is not undone, which leaves edges where they are.

Containers and codecs by FFmpeg through PyAV. Rotation: ISO/IEC 14496-12, track header matrix.
"""

from __future__ import annotations

import logging
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from pooleye.flags import Declined
from pooleye.photo import CLIP_SUFFIXES, MIN_SHORT_SIDE_PX, Photo, RgbImage

if TYPE_CHECKING:
    from av.video.frame import VideoFrame
    from av.video.stream import VideoStream

MAX_CLIP_BYTES = 2_000_000_000
LONG_SIDE_PX = 1280  # a flame then has some 100 px, its tip is found to a hundredth of it
MAX_FRAMES = 900  # 30 s at 30 a second
MIN_FRAMES = 2
QUARTER_TURNS = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}
SHORT_CLIP_HINT = "Film the candle for ten seconds from the side, with the phone resting on something."


@dataclass(frozen=True, eq=False)
class Frame:
    """One picture of a clip; `time_s` counts from the clip's first picture, None where the stream gives none."""

    photo: Photo
    time_s: float | None


@dataclass(eq=False)
class Clip:
    """A clip being read. `flags` is complete when `frames` has come to its end."""

    path: str
    flags: list[str] = field(default_factory=list)

    def frames(self) -> Iterator[Frame]:
        """The clip's pictures in the order shown, MAX_FRAMES at most.

        Raises Declined (unreadable, too-large, too-small) before the first one. Damage later on ends the clip and
        is flagged.
        """
        import av

        _check_file(Path(self.path))
        av.logging.set_level(None)  # FFmpeg would print on its own
        logging.getLogger("libav").setLevel(logging.CRITICAL)
        count = 0
        try:
            with av.open(self.path, metadata_errors="ignore") as container:
                if not container.streams.video:
                    raise _unreadable(self.path, "holds sound but no pictures", SHORT_CLIP_HINT)
                stream = container.streams.video[0]
                for frame in self._read(container, stream):
                    count += 1
                    yield frame
        except av.error.FFmpegError as error:
            if count < MIN_FRAMES:
                raise _unreadable(self.path, f"is damaged or cut short ({error.strerror})", COPY_AGAIN) from error
            self.flags.append("clip-cut-short")
        if count == 0:
            raise _unreadable(self.path, "holds no pictures", SHORT_CLIP_HINT)

    def _read(self, container: Any, stream: VideoStream) -> Iterator[Frame]:
        start_s: float | None = None
        last_s: float | None = None
        declared = int(stream.frames or 0)
        count = 0
        for raw in container.decode(stream):
            if raw.is_corrupt:
                continue
            if count == MAX_FRAMES:
                self.flags.append("clip-shortened")
                return
            time_s = _time_s(raw)
            start_s = time_s if start_s is None else start_s
            if time_s is None or (last_s is not None and time_s <= last_s):
                time_s = None
            else:
                last_s = time_s
            count += 1
            yield Frame(self._photo(raw), None if time_s is None or start_s is None else time_s - start_s)
        if declared - count > max(2, 0.05 * declared):
            self.flags.append("clip-cut-short")

    def _photo(self, raw: VideoFrame) -> Photo:
        pixels = _upright_pixels(raw)
        height, width = pixels.shape[:2]
        if min(height, width) < MIN_SHORT_SIDE_PX / 2:
            raise Declined("too-small", f"{self.path} has pictures of {width} x {height} pixels")
        # the full size is what is measured in: a clip has no larger original
        return Photo(self.path, pixels, 1.0, (width, height), None, None)


COPY_AGAIN = "Copy the clip from the phone again; the end of the file is what players need most."


def is_clip(path: str | Path) -> bool:
    """Whether the file's name is that of a clip."""
    return Path(path).suffix.lower() in CLIP_SUFFIXES


def _unreadable(path: str, what: str, hint: str) -> Declined:
    return Declined("unreadable", f"{path} {what}", hint)


def _check_file(path: Path) -> None:
    """Raises Declined for what is no ordinary file of a sensible size that may be read."""
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):
            raise _unreadable(str(path), "is not an ordinary file", "Give the clip's own file.")
        if status.st_size == 0:
            raise _unreadable(str(path), "is empty", "The file holds nothing; copy the clip from the phone again.")
        if status.st_size > MAX_CLIP_BYTES:
            raise Declined("too-large", f"{path} has {status.st_size / 1e9:.1f} GB", "Send ten seconds of it.")
        path.open("rb").close()
    except FileNotFoundError:
        raise _unreadable(str(path), "does not exist", "Check the file's name and folder.") from None
    except OSError as error:
        raise _unreadable(str(path), f"cannot be opened ({error})", "Check that you may read this file.") from error


def _time_s(raw: VideoFrame) -> float | None:
    if raw.pts is None or raw.time_base is None:
        return None
    return float(raw.pts * raw.time_base)


def _upright_pixels(raw: VideoFrame) -> RgbImage:
    """8-bit RGB at most LONG_SIDE_PX long, turned as the container asks."""
    factor = min(1.0, LONG_SIDE_PX / max(raw.width, raw.height))
    width, height = (max(2, round(side * factor / 2) * 2) for side in (raw.width, raw.height))
    pixels = np.asarray(raw.reformat(width=width, height=height, format="rgb24").to_ndarray(), dtype=np.uint8)
    turn = QUARTER_TURNS.get(round(float(raw.rotation) / 90) * 90 % 360)
    return np.ascontiguousarray(pixels if turn is None else cv2.rotate(pixels, turn), dtype=np.uint8)
