"""A first look at a photo file: when it was taken, which candle codes it shows. Runs in a worker, without database."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from pooleye.burnlog.photo_files import file_sha256
from pooleye.errors import PooleyeError

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".heic", ".heif", ".png", ".webp"})
CLIP_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".avi", ".mkv", ".webm", ".3gp"})


@dataclass(frozen=True)
class Seen:
    """What a file shows before it is measured.

    ``taken_at`` has a zone only where the photo names one; without, it is the camera's own wall clock. ``problem`` and
    ``hint``: why the file cannot be read; everything else is then empty.
    """

    path: str
    sha256: str = ""
    taken_at: datetime | None = None
    codes: tuple[str, ...] = ()
    problem: str | None = None
    hint: str | None = None


def look(path: str) -> Seen:
    """Look at one file. Never raises for what is wrong with the file itself."""
    return _look(path, closely=False)


def look_closely(path: str) -> Seen:
    """Look at one file at its full size, for a label that is small in the picture."""
    return _look(path, closely=True)


def _look(path: str, *, closely: bool) -> Seen:
    from pooleye.flags import Declined

    try:
        sha256 = file_sha256(Path(path))
        if Path(path).suffix.lower() in CLIP_SUFFIXES:
            # A clip's own time is often that of the copy, not of the camera; folder and name tell where it belongs.
            return Seen(path, sha256)
        return _look_at_photo(path, sha256, closely)
    except (Declined, PooleyeError) as why:
        return Seen(path, problem=why.message, hint=why.hint)


def _look_at_photo(path: str, sha256: str, closely: bool) -> Seen:
    from pooleye.burnlog.picture_codes import codes_in_photo

    taken_at, codes = codes_in_photo(path, closely=closely)
    return Seen(path, sha256, taken_at, codes)
