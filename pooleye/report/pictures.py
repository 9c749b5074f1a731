"""Filed photos with their stored outlines drawn in, small enough to stand in a page. Nothing is measured again."""

from __future__ import annotations

import base64
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from pooleye.burnlog.photo_files import place_of
from pooleye.flags import Declined
from pooleye.report.gather import Shot

if TYPE_CHECKING:
    from pooleye.photo import Photo, RgbImage

LONGEST_PX, SHORTEST_PX = 900, 360
JPEG_QUALITY = 80
WEIGHT = 2.2  # of strokes and letters: on a phone two photos stand beside each other
#: What the photos of one page may weigh together, and what a pixel of such an overlay weighs; bytes, measured.
PAGE_BYTES, BYTES_PER_PX = 6_000_000, 0.14


@dataclass(frozen=True)
class Embedded:
    """A picture as a data URI, None when the file is gone or cannot be opened; `file` tells in words how it is."""

    uri: str | None
    width_px: int
    height_px: int
    file: str


def long_side_px(count: int) -> int:
    """How large each of `count` photos may stand, so that they fit into one page; 0 when they are too many."""
    if count == 0:
        return LONGEST_PX
    side = int((PAGE_BYTES / count / BYTES_PER_PX) ** 0.5)
    return 0 if side < SHORTEST_PX else min(LONGEST_PX, side)


def embedded(root: Path, shot: Shot, *, rim_inner_mm: float, long_side_px: int) -> Embedded:
    """The photo under `root` with what its newest reading found; its bytes are held against the hash it is filed by."""
    from pooleye.report.overlay import overlay_pixels

    path = place_of(root, shot.sha256, shot.suffix)
    try:
        data = path.read_bytes()
    except OSError:
        return Embedded(None, 0, 0, "the file is missing from the log's photos")
    sound = hashlib.sha256(data).hexdigest() == shot.sha256
    file = "unchanged since it was filed" if sound else "CHANGED since it was filed: do not rely on it"
    try:
        photo = _opened(data, path)
    except Declined:
        return Embedded(None, 0, 0, f"{file}; it cannot be shown as a picture")
    if shot.result is not None and not _is_clip(path):
        pixels = overlay_pixels(
            photo,
            shot.result,
            rim_inner_mm=rim_inner_mm,
            by_hand=shot.drawn_by_hand,
            weight=WEIGHT,
            long_side_px=long_side_px,
        )
    else:
        pixels = photo.rgb
    return _encoded(pixels, long_side_px, file)


def _is_clip(path: Path) -> bool:
    from pooleye.clip import is_clip

    return is_clip(path)


def _opened(data: bytes, path: Path) -> Photo:
    """The picture; of a clip its first one."""
    if _is_clip(path):
        from pooleye.clip import Clip

        return next(iter(Clip(str(path)).frames())).photo
    from pooleye.photo import photo_from_bytes

    return photo_from_bytes(data, path.name)


def _encoded(pixels: RgbImage, long_side_px: int, file: str) -> Embedded:
    from PIL import Image

    picture = Image.fromarray(pixels)
    picture.thumbnail((long_side_px, long_side_px), Image.Resampling.LANCZOS, reducing_gap=2.0)
    written = io.BytesIO()
    picture.save(written, "JPEG", quality=JPEG_QUALITY, optimize=True)
    encoded = base64.b64encode(written.getvalue()).decode("ascii")
    return Embedded(f"data:image/jpeg;base64,{encoded}", *picture.size, file)
