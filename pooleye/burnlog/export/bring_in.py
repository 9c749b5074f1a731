"""Bring an exported log into an empty workspace: all of it in one transaction, or nothing."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import MetaData, Table, insert, select, text
from sqlalchemy.exc import DataError, IntegrityError
from sqlalchemy.orm import Session

from pooleye.burnlog.export import whole_log
from pooleye.burnlog.export.files import written_whole
from pooleye.burnlog.export.pack import Opened, opened, place_in_pack
from pooleye.burnlog.export.whole_log import Row
from pooleye.burnlog.photo_files import keep_file, place_of
from pooleye.burnlog.settings import FILE_NAME, Settings, checked_settings, settings_text
from pooleye.burnlog.store import NEWEST, Workspace, empty_log, known_steps, migrate
from pooleye.burnlog.times import zone_named
from pooleye.errors import PooleyeError

Rows = dict[str, list[Row]]


@dataclass(frozen=True)
class BroughtIn:
    """What came in. ``photos_missing``: named by the log, but neither in the file nor in the workspace."""

    file: str
    records: int
    photos: int
    photos_missing: int
    already_there: bool
    settings_changed: tuple[str, ...] = ()
    files: tuple[str, ...] = ()

    def said(self) -> list[str]:
        """What came, then what is still to be done."""
        first = f"{self.records} records from {self.file}"
        lines = [f"{first} are in this log already: no record was changed" if self.already_there else first]
        lines += [f"{self.photos} photos"] if self.photos else []
        lines += [f"settings taken from it: {', '.join(self.settings_changed)}"] if self.settings_changed else []
        lines += [f"and {', '.join(self.files)}"] if self.files else []
        if self.photos_missing:
            lines.append(f"{self.photos_missing} photos are named but not here: copy the other log's photos folder")
        return lines


def bring_in(workspace: Workspace, path: Path) -> BroughtIn:
    """Bring in what ``pooleye export json`` wrote, with or without photos.

    Raises PooleyeError, with nothing changed: log-not-empty when the log holds other records, and for every file that
    is not whole and right. A log that holds the very same records is left as it is and gets the photos it lacks.
    """
    with opened(path) as file:
        settings = checked_settings(path, _with_own_place(workspace.settings, file.document.settings))
        zone_named(settings.zone)
        rows = _at_newest(file)
        file.check_photos(rows["photo"])
        there = _refuse_others(workspace, rows)
        kept = _keep_photos(workspace, file, rows["photo"])
        if not there:
            _insert(workspace, file, rows)
        changed = () if there else _keep_settings(workspace, settings)
        files = () if there else _keep_files(workspace, file.document.files)
    missing = sum(not _photo_place(workspace, one).is_file() for one in rows["photo"])
    return BroughtIn(str(path), sum(map(len, rows.values())), kept, missing, there, changed, files)


def _with_own_place(own: Settings, read: Mapping[str, Any]) -> dict[str, Any]:
    return {**read, **{name: getattr(own, name) for name in whole_log.OF_THE_PLACE}}


def _by_name(tables: list[Table]) -> dict[str, Table]:
    return {one.name: one for one in tables}


def _at_newest(file: Opened) -> Rows:
    """The document's records as the newest step has them.

    Records of an earlier step go through an empty log of that step, which is then brought up to date like any other.
    """
    now = _by_name(whole_log.tables())
    if file.document.step == NEWEST:
        return whole_log.rows_of(file.document, file.name, now)
    if file.document.step not in known_steps():
        raise file.bad(f"its step “{file.document.step}” is none that there ever was")
    with tempfile.TemporaryDirectory(prefix="pooleye-") as folder:
        engine = empty_log(Path(folder) / "then.sqlite", file.document.step)
        try:
            _fill_then(engine, file)
            migrate(engine, NEWEST)
            with Session(engine) as session:
                return {name: list(whole_log.stored(session, table)) for name, table in now.items()}
        finally:
            engine.dispose()


def _fill_then(engine: Any, file: Opened) -> None:
    then = MetaData()
    then.reflect(engine)
    then.remove(then.tables["alembic_version"])
    rows = whole_log.rows_of(file.document, file.name, _by_name(then.sorted_tables))
    with engine.begin() as connection:
        for table in then.sorted_tables:
            _checked_insert(connection, table, rows[table.name], file)


def _checked_insert(connection: Any, table: Table, rows: list[Row], file: Opened) -> None:
    try:
        if rows:
            connection.execute(insert(table), rows)
    except (IntegrityError, DataError) as error:
        said = str(error.orig).partition("\n")[0]
        raise PooleyeError(
            "bad-record", f"{file.name}: the records of {table.name} do not fit: {said}", hint="nothing was changed"
        ) from None


def _refuse_others(workspace: Workspace, rows: Rows) -> bool:
    """Whether the log holds these very records already. Raises PooleyeError when it holds others."""
    with workspace.read() as session:
        filled = [one for one in whole_log.tables() if session.execute(select(one.c.id).limit(1)).first()]
        if not filled:
            return False
        if all(_same(session, table, rows[table.name]) for table in whole_log.tables()):
            return True
    held = ", ".join(one.name for one in filled[:3])
    raise PooleyeError(
        "log-not-empty",
        f"the burn log in {workspace.root} holds other records already ({held})",
        looked_for="an empty log, or one with the very same records",
        hint="begin a new one for it: pooleye new FOLDER, then pooleye import FILE -w FOLDER",
    )


def _same(session: Session, table: Table, rows: list[Row]) -> bool:
    wanted = iter(sorted(rows, key=lambda row: row["id"]))
    return all(row == next(wanted, None) for row in whole_log.stored(session, table)) and next(wanted, None) is None


def _insert(workspace: Workspace, file: Opened, rows: Rows) -> None:
    """All records in one transaction, read back and compared before it ends."""
    with workspace.write() as session:
        for table in whole_log.tables():
            _checked_insert(session.connection(), table, rows[table.name], file)
        if session.get_bind().dialect.name == "postgresql":
            _move_counters(session, rows)
        if changed := [one.name for one in whole_log.tables() if not _same(session, one, rows[one.name])]:
            raise PooleyeError(
                "not-kept-whole", f"the database does not keep {', '.join(changed)} unchanged", hint="nothing was kept"
            )


def _move_counters(session: Session, rows: Rows) -> None:
    """PostgreSQL counts ids apart from the rows: the next record must not get a number that came in."""
    for name, of_table in rows.items():
        if of_table:
            last = max(row["id"] for row in of_table)
            session.execute(
                text("SELECT setval(pg_get_serial_sequence(:name, 'id'), :last)"), {"name": f'"{name}"', "last": last}
            )


def _photo_place(workspace: Workspace, photo: Row) -> Path:
    return place_of(workspace.photos, photo["sha256"], photo["suffix"])


def _keep_photos(workspace: Workspace, file: Opened, photos: list[Row]) -> int:
    """Copy the pack's photos that the workspace lacks. Before the records: a file without a record does no harm."""
    lacking = [one for one in photos if file.archive and not _photo_place(workspace, one).is_file()]
    for photo in lacking:
        name = place_in_pack(photo)
        keep_file(workspace.photos, Path(name), file.open(name))
    return len(lacking)


def _keep_settings(workspace: Workspace, settings: Settings) -> tuple[str, ...]:
    """Write the log's own settings; returns the names of those that differ from what was here."""
    changed = [name for name, value in vars(settings).items() if value != getattr(workspace.settings, name)]
    if changed:
        with written_whole(workspace.root / FILE_NAME) as temporary:
            temporary.write_text(settings_text(settings), "utf-8")
    return tuple(changed)


def _keep_files(workspace: Workspace, files: Mapping[str, str]) -> tuple[str, ...]:
    """Write the maker's own files where there are none of that name; returns the names of those written."""
    new = [workspace.root / name for name in files if not (workspace.root / name).exists()]
    for path in new:
        with written_whole(path) as temporary:
            temporary.write_bytes(files[path.name].encode())
    return tuple(path.name for path in new)
