"""Photos on disk: byte for byte, named by SHA-256, written so that a kill at any moment leaves no half file."""

from __future__ import annotations

import errno
import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from pooleye.errors import PooleyeError

_CHUNK = 1 << 20
#: What a hash and a suffix in the log must look like: they become names of files.
SHA256 = "^[0-9a-f]{64}$"
SUFFIX = r"^(\.[^./\\\s]{1,5})?$"


@dataclass(frozen=True)
class KeptFile:
    """A file in the store: its hash (hex), its suffix with the dot, in small letters, and its length in bytes."""

    sha256: str
    suffix: str
    bytes: int


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, hex. Raises PooleyeError when it cannot be read."""
    digest = hashlib.sha256()
    try:
        with path.open("rb") as source:
            while block := source.read(_CHUNK):
                digest.update(block)
    except OSError as error:
        raise PooleyeError(
            "unreadable-file", f"{path} cannot be read: {error.strerror}", hint="check the file"
        ) from None
    return digest.hexdigest()


def _suffix(path: Path) -> str:
    suffix = path.suffix.lower()
    return suffix if suffix[1:].isalnum() and len(suffix) <= 6 else ""


def place_of(root: Path, sha256: str, suffix: str) -> Path:
    """Where the file with this hash lies under ``root``."""
    return root / sha256[:2] / f"{sha256}{suffix}"


def _copy_and_hash(reader: BinaryIO, target_fd: int) -> tuple[str, int]:
    digest, length = hashlib.sha256(), 0
    with reader, os.fdopen(target_fd, "wb") as writer:
        while block := reader.read(_CHUNK):
            digest.update(block)
            length += len(block)
            writer.write(block)
        writer.flush()
        os.fsync(writer.fileno())
    return digest.hexdigest(), length


def _sync_folder(folder: Path) -> None:
    if os.name == "nt":  # pragma: no cover - Windows cannot open a folder; NTFS journals the rename itself
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def keep_file(root: Path, source: Path, opened: BinaryIO | None = None) -> KeptFile:
    """Copy ``source`` into the store unless it is there; the original is not touched.

    ``opened``: where to read it from when it lies in an archive; ``source`` is then only its name.

    The copy is written beside its place, forced to disk and then renamed, so that a name in the store always stands for
    whole contents. The hash is taken from the very bytes that were written. Raises PooleyeError (disk-full,
    unreadable-file, photos-read-only).
    """
    temporary: Path | None = None
    try:
        root.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=".incoming-", dir=root)
        temporary = Path(name)
        sha256, length = _copy_and_hash(opened or source.open("rb"), handle)
        target = place_of(root, sha256, _suffix(source))
        target.parent.mkdir(exist_ok=True)
        if not target.exists():
            temporary.chmod(0o444)
            temporary.replace(target)
            _sync_folder(target.parent)
        return KeptFile(sha256, _suffix(source), length)
    except OSError as error:
        raise _explained(error, source, root) from None
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def _explained(error: OSError, source: Path, root: Path) -> PooleyeError:
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        text = f"no room left in {root} for {source.name}; the photo was not filed and is still where it was"
        return PooleyeError("disk-full", text, hint="make room, then run the same command again: it continues")
    if error.errno in (errno.EROFS, errno.EACCES, errno.EPERM) and error.filename != str(source):
        return PooleyeError("photos-read-only", f"{root} cannot be written", hint="check the folder's permissions")
    return PooleyeError("unreadable-file", f"{source} cannot be read: {error.strerror}", hint="check the file")


def damaged(root: Path, sha256: str, suffix: str) -> str | None:
    """Why the kept file is not what was filed: "missing" or "changed"; None when it is sound."""
    path = place_of(root, sha256, suffix)
    if not path.is_file():
        return "missing"
    return None if file_sha256(path) == sha256 else "changed"
