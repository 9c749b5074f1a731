"""Files written whole or not at all, and in words when that fails."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pooleye.errors import PooleyeError


def checked_target(path: Path, suffix: str) -> Path:
    """``path``, if it can be the target. Raises PooleyeError.

    Its ending must be the kind's own, so that no slip of the hand overwrites the log or a photo.
    """
    if path.suffix.lower() != suffix:
        hint = f"for instance --out {path.with_suffix(suffix).name or 'burnlog' + suffix}"
        raise PooleyeError("cannot-write", f"{path} does not end in {suffix}", hint=hint)
    if path.is_dir() or not path.parent.is_dir():
        raise PooleyeError("cannot-write", f"{path} cannot be written", hint="name a file in a folder that is there")
    return path


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """A temporary file beside ``path`` to write to; it takes the name when the block ends, and goes when it raises."""
    temporary = path.with_name(f".{path.name}.new")
    try:
        yield temporary
        temporary.replace(path)
    except OSError as error:
        full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
        raise PooleyeError(
            "disk-full" if full else "cannot-write",
            f"{path} cannot be written: {error.strerror}",
            hint="make room, then do the same again" if full else "choose a folder where you may write: --out FILE",
        ) from None
    finally:
        temporary.unlink(missing_ok=True)
