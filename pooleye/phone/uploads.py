"""Photos on their way in: in pieces that can be sent again, each phone's own, no larger than a photo is."""

from __future__ import annotations

import hashlib
import re
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

from pooleye.errors import PooleyeError
from pooleye.phone.guard import PHOTO_BYTES

KEY = re.compile(r"[A-Za-z0-9]{16,64}")
MOST_PER_PHONE = 8
MOST_BYTES = 400_000_000
KEPT_S = 24 * 3600.0
_DONE_REMEMBERED = 500
# ISO/IEC 14496-12 brands of still HEIF pictures.
_HEIF = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"mif1", b"msf1", b"avif")


class WrongOffset(Exception):  # noqa: N818 - tells the phone where to go on
    """A piece that does not follow what is there; ``size`` bytes are."""

    def __init__(self, size: int) -> None:
        super().__init__(size)
        self.size = size


def suffix_of(head: bytes) -> str | None:
    """The suffix that fits a file's first bytes; None for what is no photo. The name it came with is not looked at."""
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    return ".heic" if head[4:8] == b"ftyp" and head[8:12] in _HEIF else None


def _refuse(reference: str, text: str, hint: str) -> PooleyeError:
    return PooleyeError(reference, text, hint=hint)


@dataclass
class Spool:
    """A folder of unfinished uploads. File names are hashes: nothing from outside is in them."""

    folder: Path
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False)
    _done: OrderedDict[str, str] = field(default_factory=OrderedDict, repr=False)

    def _name(self, device: str, key: str) -> str:
        if not KEY.fullmatch(key):
            raise _refuse("bad-upload-key", "this upload has no proper key", "reload the page and take the photo again")
        return f"{device[:16]}-{hashlib.sha256(f'{device} {key}'.encode()).hexdigest()[:32]}"

    def _path(self, device: str, key: str) -> Path:
        return self.folder / f"{self._name(device, key)}.part"

    def size(self, device: str, key: str) -> int:
        """How many bytes are there; 0 for an upload not begun."""
        path = self._path(device, key)
        return path.stat().st_size if path.is_file() else 0

    def append(self, device: str, key: str, offset: int, piece: bytes) -> int:
        """Add a piece and return how many bytes are there now. Raises WrongOffset; PooleyeError when it is too much."""
        path = self._path(device, key)
        with self._lock:
            size = path.stat().st_size if path.is_file() else 0
            if offset != size:
                raise WrongOffset(size)
            if size + len(piece) > PHOTO_BYTES:
                path.unlink(missing_ok=True)
                text = f"the photo is larger than {PHOTO_BYTES / 1e6:g} MB"
                raise _refuse("photo-too-large", text, "take it with the phone's usual camera settings")
            if size == 0:
                self._make_room(device)
            with path.open("ab") as out:
                out.write(piece)
            return size + len(piece)

    def _make_room(self, device: str) -> None:
        parts = list(self.folder.glob("*.part"))
        for path in parts:
            if time.time() - path.stat().st_mtime > KEPT_S:
                path.unlink(missing_ok=True)
        parts = [one for one in parts if one.exists()]
        mine = [one for one in parts if one.name.startswith(device[:16])]
        if len(mine) >= MOST_PER_PHONE or sum(one.stat().st_size for one in parts) > MOST_BYTES:
            raise _refuse("too-many-uploads", "too many photos are under way", "wait until the others are there")

    def whole(self, device: str, key: str, size: int) -> Path:
        """The finished file, under a name with the suffix of its kind. Raises WrongOffset, PooleyeError."""
        path = self._path(device, key)
        with self._lock:
            there = path.stat().st_size if path.is_file() else 0
            if there != size or size == 0:
                raise WrongOffset(there)
            with path.open("rb") as source:
                suffix = suffix_of(source.read(16))
            if suffix is None:
                path.unlink()
                raise no_photo()
            named = path.with_suffix(suffix)
            path.replace(named)
            return named

    def keep(self, device: str, key: str, whole: Path) -> None:
        """Put a finished file back, for another try."""
        whole.replace(self._path(device, key))

    def finish(self, device: str, key: str, whole: Path, sha256: str) -> None:
        """The photo is in the log: the file may go; a repeated question is answered with the photo."""
        whole.unlink(missing_ok=True)
        self._done[self._name(device, key)] = sha256
        while len(self._done) > _DONE_REMEMBERED:
            self._done.popitem(last=False)

    def finished(self, device: str, key: str) -> str | None:
        """The photo that this upload became."""
        return self._done.get(self._name(device, key))


def no_photo() -> PooleyeError:
    """What is said of a file that is no photo."""
    return _refuse("not-a-photo", "this file is no photo", "use the camera; JPEG, HEIC, PNG and WebP are taken")
