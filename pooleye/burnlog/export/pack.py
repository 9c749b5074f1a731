"""The pack: one zip with the log as JSON and its photos byte for byte, in the same folders as in a workspace."""

from __future__ import annotations

import hashlib
import io
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import IO, Any, BinaryIO

from sqlalchemy.orm import Session

from pooleye.burnlog.export import whole_log
from pooleye.burnlog.photo_files import place_of
from pooleye.burnlog.records import Photo
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError

LOG_NAME = "log.json"
_CHUNK = 1 << 20
# A log shrinks to about a sixth, photos hardly; the most that deflate can do is a thousandth. What swells more than
# this is no log and no photo.
_MOST_SWELLING = 200
_SMALL_BYTES = 16 << 20
_HINT = "use the file as pooleye export json --photos wrote it; nothing was changed"


def place_in_pack(photo: Mapping[str, Any]) -> str:
    """Name of a photo's file in the pack."""
    return place_of(Path("photos"), photo["sha256"], photo["suffix"]).as_posix()


def write(workspace: Workspace, session: Session, path: Path) -> tuple[int, int]:
    """Write the pack and return the numbers of records and photos. Raises PooleyeError when a photo is not sound."""
    with zipfile.ZipFile(path, "w") as pack:
        # The size is not known beforehand and may pass 4 GB.
        with (
            pack.open(_entry(LOG_NAME, zipfile.ZIP_DEFLATED), "w", force_zip64=True) as raw,
            io.TextIOWrapper(raw, "utf-8", newline="\n") as target,
        ):
            records = whole_log.write(workspace, session, target)
        photos = list(whole_log.stored(session, Photo.__table__))  # type: ignore[arg-type]
        for photo in photos:
            _add_photo(pack, workspace.photos, photo)
    return records, len(photos)


def _entry(name: str, how: int) -> zipfile.ZipInfo:
    """A file in the pack; without times, so that equal logs make equal packs."""
    entry = zipfile.ZipInfo(name)
    entry.compress_type = how
    return entry


def _add_photo(pack: zipfile.ZipFile, root: Path, photo: Mapping[str, Any]) -> None:
    source = place_of(root, photo["sha256"], photo["suffix"])
    if not source.is_file():
        raise _not_sound(photo, "is missing")
    # Photos are compressed already.
    with source.open("rb") as reader, pack.open(_entry(place_in_pack(photo), zipfile.ZIP_STORED), "w") as target:
        if _copied_sha256(reader, target) != photo["sha256"]:
            raise _not_sound(photo, "is not as it was filed")


def _not_sound(photo: Mapping[str, Any], what: str) -> PooleyeError:
    text = f"photo {photo['original_name']} {what}, so the log cannot be packed whole"
    return PooleyeError("photo-damaged", text, hint="see pooleye check; restore it, or export without --photos")


def _copied_sha256(reader: IO[bytes], target: IO[bytes] | None = None) -> str:
    digest = hashlib.sha256()
    while block := reader.read(_CHUNK):
        digest.update(block)
        if target is not None:
            target.write(block)
    return digest.hexdigest()


@dataclass(frozen=True)
class Opened:
    """A file to bring in: its document, and the archive that holds the photos, if it is a pack."""

    name: str
    document: whole_log.Document
    archive: zipfile.ZipFile | None = field(default=None, repr=False)

    def check_photos(self, photos: Sequence[Mapping[str, Any]]) -> None:
        """Raises PooleyeError unless the pack holds these photos whole, and nothing else."""
        if self.archive is None:
            return
        expected = {place_in_pack(one): one for one in photos}
        held = {one.filename: one for one in self.archive.infolist()}
        folders = {f"{folder}/" for name in expected for folder in PurePosixPath(name).parents}
        if strange := sorted(held.keys() - expected.keys() - folders - {LOG_NAME}):
            raise self.bad(f"holds a file that belongs to no photo of its log: {strange[0]!r}")
        if missing := sorted(expected.keys() - held.keys()):
            raise self.bad(f"lacks {len(missing)} photos, for instance {missing[0]}")
        with _in_words(self.name):
            for name, photo in expected.items():
                self._check_photo(held[name], photo)

    def _check_photo(self, entry: zipfile.ZipInfo, photo: Mapping[str, Any]) -> None:
        if entry.file_size != photo["bytes"]:
            raise self.bad(f"{entry.filename} is not as long as the log says")
        with self.open(entry) as reader:
            if _copied_sha256(reader) != photo["sha256"]:
                raise self.bad(f"{entry.filename} is another photo than the log says (its SHA-256 differs)")

    def open(self, entry: zipfile.ZipInfo | str) -> BinaryIO:
        """A file of the pack. Raises PooleyeError when it would swell as no photo or log does."""
        assert self.archive is not None
        return _opened_entry(self.archive, entry, self.name)  # type: ignore[return-value]

    def bad(self, what: str) -> PooleyeError:
        """An error about this file."""
        return _bad(self.name, what)


def _bad(name: str, what: str) -> PooleyeError:
    return PooleyeError("bad-pack", f"{name}: {what}", hint=_HINT)


@contextmanager
def _in_words(name: str) -> Iterator[None]:
    try:
        yield
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise _bad(name, f"is damaged or was cut short ({error})") from None


def _opened_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo | str, name: str) -> IO[bytes]:
    info = archive.getinfo(entry) if isinstance(entry, str) else entry
    if info.file_size > _SMALL_BYTES and info.file_size > _MOST_SWELLING * info.compress_size:
        raise _bad(name, f"{info.filename} would swell to {info.file_size / 1e6:.0f} MB, as no photo or log does")
    return archive.open(info)


@contextmanager
def opened(path: Path) -> Iterator[Opened]:
    """Open a JSON document or a pack. Raises PooleyeError (unreadable-file, not-a-log, log-too-new, bad-pack)."""
    with ExitStack() as stack:
        try:
            file = stack.enter_context(path.open("rb"))
            is_pack = file.read(2) == b"PK"
            file.seek(0)
            if is_pack:
                with _in_words(path.name):
                    archive = stack.enter_context(zipfile.ZipFile(file))
                found = Opened(path.name, _document(archive, path.name), archive)
            else:
                found = Opened(path.name, whole_log.read(file.read(), path.name))
        except OSError as error:
            text = f"{path} cannot be read: {error.strerror}"
            raise PooleyeError("unreadable-file", text, hint="check the file") from None
        yield found


def _document(archive: zipfile.ZipFile, name: str) -> whole_log.Document:
    names = [one.filename for one in archive.infolist()]
    if LOG_NAME not in names:
        raise _bad(name, f"is a zip without a {LOG_NAME}; tables and spreadsheets cannot be brought in")
    if len(set(names)) < len(names):
        raise _bad(name, "names one file twice")
    with _in_words(name), _opened_entry(archive, LOG_NAME, name) as reader:
        data = reader.read()
    return whole_log.read(data, f"{name}/{LOG_NAME}")
