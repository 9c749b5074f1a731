"""The store: one workspace folder with the log, its settings and its photos; or the log in a PostgreSQL database.

Every write is one transaction under one lock, so two commands, two phones and a batch may write at once. Reading never
waits for writing (WAL). A log made by an earlier version is brought up to date on opening, after a copy was put aside.
"""

from __future__ import annotations

import importlib.util
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.engine import make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from sqlalchemy.pool import QueuePool

from pooleye.burnlog.history import Author, keep_history
from pooleye.burnlog.settings import FILE_NAME, Settings, load_settings, settings_text
from pooleye.burnlog.times import now_utc, zone_named
from pooleye.errors import PooleyeError

if TYPE_CHECKING:
    from alembic.config import Config

LOG_NAME = "burnlog.sqlite"
# The newest migration this version knows; a test holds it against the migrations shipped.
NEWEST = "0005"
_BUSY_MS = 30_000
# Any number will do, as long as no other program locks the same one in the same database.
_PG_LOCK = 7_600_331


@dataclass(frozen=True)
class Workspace:
    """An opened workspace. ``clock`` gives the present moment, so that a test or a correction can set it."""

    root: Path
    settings: Settings
    engine: Engine = field(repr=False)
    read_only: bool = False
    clock: Any = field(default=now_utc, repr=False)

    @property
    def photos(self) -> Path:
        """Folder of the photos."""
        return self.root / self.settings.photos

    @property
    def zone(self) -> tzinfo:
        """The workshop's zone."""
        return zone_named(self.settings.zone)

    def now(self) -> datetime:
        """The present moment, UTC."""
        moment: datetime = self.clock()
        return moment

    @contextmanager
    def read(self) -> Iterator[Session]:
        """A session that sees one state of the log; anything changed in it is thrown away."""
        one_state = {"isolation_level": "REPEATABLE READ"} if self.engine.dialect.name == "postgresql" else {}
        with _explained(self), Session(self.engine.execution_options(**one_state)) as session:
            yield session
            session.rollback()

    @contextmanager
    def write(self, author: Author | None = None) -> Iterator[Session]:
        """One transaction: all of it is kept when the block ends, nothing when it raises."""
        if self.read_only:
            raise _read_only(self.root)
        engine = self.engine.execution_options(pooleye_write=True)
        with _explained(self), Session(engine, expire_on_commit=False) as session:
            keep_history(session, author or Author())
            yield session
            session.commit()

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()


def _read_only(root: Path) -> PooleyeError:
    text_ = f"the burn log in {root} can be read but not written"
    return PooleyeError(
        "log-read-only", text_, hint="check the folder's permissions, or copy it to where you may write"
    )


_SQLITE_TROUBLE = (
    ("disk is full", "disk-full", "no room left for the burn log in {}; nothing of this step was kept",
     "make room, then do the same again"),
    ("disk I/O error", "disk-full", "the disk of {} took no more data; nothing of this step was kept",
     "check free room and the disk, then do the same again"),
    ("readonly database", "log-read-only", "the burn log in {} can be read but not written",
     "check the folder's permissions"),
    ("database is locked", "log-busy", "the burn log in {} was busy for half a minute",
     "wait for the other command to end, then do the same again"),
    ("malformed", "log-damaged", "the burn log in {} is damaged",
     "do not write to it; restore the newest copy from its backups folder, or ask for help"),
    ("not a database", "log-damaged", "the burn log in {} is no burn log",
     "restore the newest copy from its backups folder"),
)  # fmt: skip


@contextmanager
def _explained(where: Workspace) -> Iterator[None]:
    """Turn the database's complaints into the maker's words; a commit that fails keeps nothing."""
    try:
        yield
    except DBAPIError as error:
        trouble = _trouble(error, where.root)
        if trouble is None:
            raise
        raise trouble from error


def _trouble(error: DBAPIError, root: Path) -> PooleyeError | None:
    said = str(error.orig)
    for words, reference, message, hint in _SQLITE_TROUBLE:
        if words in said:
            return PooleyeError(reference, message.format(root), hint=hint)
    if error.connection_invalidated or "could not connect" in said or "connection failed" in said:
        return PooleyeError("no-database", "the burn log's database does not answer", hint="is the server running?")
    return None


def _sqlite_engine(path: Path, mode: str) -> Engine:
    """``mode``: rw, ro, or ro with immutable=1 for a log on a medium that cannot even hold a lock."""

    def connect() -> sqlite3.Connection:
        uri = f"{path.resolve().as_uri()}?mode={mode}"
        return sqlite3.connect(uri, uri=True, timeout=_BUSY_MS / 1000, isolation_level=None, check_same_thread=False)

    engine = create_engine("sqlite://", creator=connect, poolclass=QueuePool)

    @event.listens_for(engine, "connect")
    def _set_up(connection: Any, _record: object) -> None:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        # A power cut must not lose what was confirmed; kill -9 alone would be survived with less.
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # Taking the write lock at once means that what was read in a transaction still holds when it writes.
        writing = connection.get_execution_options().get("pooleye_write")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


def _server_engine(url: str) -> Engine:
    parsed = make_url(url)
    if parsed.get_backend_name() != "postgresql":
        text_ = f"a burn log cannot live in “{parsed.get_backend_name()}”"
        raise PooleyeError("bad-database", text_, hint="leave `database` empty, or give postgresql://user@host/name")
    if importlib.util.find_spec("psycopg") is None:
        text_ = "a burn log on a server needs the optional part “postgresql”"
        raise PooleyeError("postgresql-missing", text_, hint="in pooleye's folder: pip install -e '.[postgresql]'")
    engine = create_engine(parsed.set(drivername="postgresql+psycopg"), pool_pre_ping=True)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # One writer at a time, as with SQLite: filing decides by what is already there.
        if connection.get_execution_options().get("pooleye_write"):
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_PG_LOCK})")

    return engine


def version_of(engine: Engine) -> str | None:
    """The migration a log stands at; None for an empty database."""
    with engine.connect() as connection:
        if not engine.dialect.has_table(connection, "alembic_version"):
            return None
        return connection.execute(text("SELECT version_num FROM alembic_version")).scalar_one_or_none()


def _alembic() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "pooleye.burnlog:migrations")
    return config


def known_steps() -> list[str]:
    """The migrations shipped, newest first."""
    from alembic.script import ScriptDirectory

    return [one.revision for one in ScriptDirectory.from_config(_alembic()).walk_revisions()]


def migrate(engine: Engine, to: str) -> None:
    """Bring the log up to a step in one transaction: all steps are taken, or none."""
    from alembic import command

    config = _alembic()
    with engine.execution_options(pooleye_write=True).connect() as connection, connection.begin():
        config.attributes["connection"] = connection
        command.upgrade(config, to)


def _copy_aside(root: Path, version: str) -> Path:
    """A whole copy of the SQLite log, before it is changed."""
    target = root / "backups" / f"burnlog-{version}-{now_utc():%Y%m%dT%H%M%S}.sqlite"
    target.parent.mkdir(exist_ok=True)
    source, copy = sqlite3.connect(root / LOG_NAME), sqlite3.connect(target)
    try:
        source.backup(copy)
    finally:
        copy.close()
        source.close()
    return target


def _bring_up_to_date(workspace: Workspace) -> None:
    version = version_of(workspace.engine)
    if version == NEWEST:
        return
    if version is not None and version > NEWEST:
        text_ = (
            f"the burn log in {workspace.root} was written by a newer pooleye (step {version}; this one knows {NEWEST})"
        )
        raise PooleyeError("log-too-new", text_, hint="bring pooleye up to date, then open it again")
    if workspace.read_only:
        text_ = f"the burn log in {workspace.root} is of an earlier version and cannot be brought up to date here"
        raise PooleyeError("log-read-only", text_, hint="open it once where it can be written")
    if version is not None and not workspace.settings.database:
        _copy_aside(workspace.root, version)
    migrate(workspace.engine, NEWEST)


def _can_write(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.parent, os.W_OK) and not _on_read_only_disk(path.parent)


def _on_read_only_disk(folder: Path) -> bool:
    if not hasattr(os, "statvfs"):  # pragma: no cover - Windows
        return False
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


def _open_sqlite(root: Path, read_only: bool) -> tuple[Engine, bool]:
    path = root / LOG_NAME
    if not read_only and _can_write(path):
        return _sqlite_engine(path, "rw"), False
    wal = path.with_name(path.name + "-wal")
    # Without leave to write, SQLite cannot make the lock file that WAL needs; "immutable" does without, which is right
    # only if no unsaved journal lies beside the log.
    unwritable = not os.access(root, os.W_OK) or _on_read_only_disk(root)
    immutable = unwritable and (not wal.exists() or wal.stat().st_size == 0)
    return _sqlite_engine(path, "ro&immutable=1" if immutable else "ro"), True


def create_workspace(root: Path, settings: Settings) -> Workspace:
    """Begin a burn log in ``root`` (made if missing). Raises PooleyeError when one is there already."""
    zone_named(settings.zone)
    if (root / FILE_NAME).exists():
        raise PooleyeError("log-exists", f"{root} already holds a burn log", hint="use it as it is: pooleye status")
    try:
        root.mkdir(parents=True, exist_ok=True)
        if not settings.database:
            _new_sqlite(root / LOG_NAME)
        temporary = root / f".{FILE_NAME}.new"
        temporary.write_text(settings_text(settings), "utf-8")
        (root / settings.photos).mkdir(parents=True, exist_ok=True)
        temporary.replace(root / FILE_NAME)
    except OSError as error:
        text_ = f"no burn log can be begun in {root}: {error.strerror}"
        raise PooleyeError("cannot-begin", text_, hint="choose a folder where you may write") from None
    try:
        return open_workspace(root)
    except PooleyeError:
        # A server that does not answer must not leave a folder that looks like a log.
        (root / FILE_NAME).unlink(missing_ok=True)
        raise


def empty_log(path: Path, step: str) -> Engine:
    """A new log file at an earlier step, to read into it what was exported then."""
    _new_sqlite(path)
    engine = _sqlite_engine(path, "rw")
    migrate(engine, step)
    return engine


def _new_sqlite(path: Path) -> None:
    connection = sqlite3.connect(path)
    try:
        # WAL is a property of the file: readers and one writer do not wait for each other.
        connection.execute("PRAGMA journal_mode = WAL")
    finally:
        connection.close()


def open_workspace(root: Path, *, read_only: bool = False) -> Workspace:
    """Open the burn log in ``root``, brought up to date; read-only when asked or when it cannot be written.

    Raises PooleyeError: no-log, log-too-new, log-damaged, no-database, bad settings.
    """
    if not (root / FILE_NAME).is_file():
        raise PooleyeError("no-log", f"{root} holds no burn log", hint="begin one there: pooleye new")
    settings = load_settings(root / FILE_NAME)
    zone_named(settings.zone)
    if settings.database:
        engine, closed = _server_engine(settings.database), read_only
    else:
        engine, closed = _open_sqlite(_with_log(root), read_only)
    workspace = Workspace(root, settings, engine, closed)
    try:
        with _explained(workspace):
            _bring_up_to_date(workspace)
    except BaseException:
        engine.dispose()
        raise
    return workspace


def _with_log(root: Path) -> Path:
    if not (root / LOG_NAME).is_file():
        text_ = f"{root} has settings but its {LOG_NAME} is missing"
        raise PooleyeError("no-log", text_, hint="restore it from a backup, or move pooleye.toml away and begin anew")
    return root


def find_root(start: Path, named: Path | None = None) -> Path:
    """The workspace meant: the one named, else POOLEYE_WORKSPACE, else the nearest folder upwards from ``start``."""
    if named is not None:
        return named
    if given := os.environ.get("POOLEYE_WORKSPACE"):
        return Path(given)
    for folder in (start, *start.parents):
        if (folder / FILE_NAME).is_file():
            return folder
    raise PooleyeError(
        "no-log", f"no burn log in {start} or above it", hint="begin one: pooleye new, or name it: -w FOLDER"
    )


def with_clock(workspace: Workspace, moment: datetime) -> Workspace:
    """The same workspace at a fixed moment."""
    return replace(workspace, clock=lambda: moment)


def check_log(workspace: Workspace) -> list[str]:
    """What is wrong with the database's own structure, in its words; empty when sound."""
    if workspace.engine.dialect.name != "sqlite":
        return []
    with workspace.engine.connect() as connection:
        said = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA integrity_check")]
        broken = [str(tuple(row)) for row in connection.exec_driver_sql("PRAGMA foreign_key_check")]
    return [line for line in said if line != "ok"] + broken
