"""The store: transactions, migrations, history, times, and what happens when the disk will not."""

from __future__ import annotations

import contextlib
import os
import pwd
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, select, text, update
from sqlalchemy.exc import IntegrityError, StatementError

from pooleye.burnlog import store
from pooleye.burnlog.history import Author
from pooleye.burnlog.materials import add_vessel
from pooleye.burnlog.overview import status
from pooleye.burnlog.records import Burn, Candle, Change, Vessel
from pooleye.burnlog.settings import SETTING_NAMES, Settings, load_settings, settings_text
from pooleye.errors import PooleyeError


def _vessel(name: str = "jar") -> Vessel:
    return Vessel(name=name, rim_inner_mm=75.0)


def test_what_one_transaction_writes_a_second_connection_reads(workspace: store.Workspace) -> None:
    with workspace.write() as session:
        session.add(_vessel())
    again = store.open_workspace(workspace.root)
    try:
        with again.read() as session:
            assert session.scalars(select(Vessel.name)).all() == ["jar"]
    finally:
        again.close()


def test_a_transaction_that_raises_keeps_nothing(workspace: store.Workspace) -> None:
    def half_done() -> None:
        with workspace.write() as session:
            session.add(_vessel())
            session.flush()
            raise RuntimeError("cut short")

    with pytest.raises(RuntimeError, match="cut short"):
        half_done()
    with workspace.read() as session:
        assert session.scalars(select(Vessel)).all() == []


def test_reading_throws_away_what_is_changed_in_it(workspace: store.Workspace) -> None:
    with workspace.read() as session:
        session.add(_vessel())
        session.flush()
    with workspace.read() as session:
        assert session.scalars(select(Vessel)).all() == []


def test_an_edit_keeps_the_earlier_value_and_who_changed_it(workspace: store.Workspace) -> None:
    with workspace.write() as session:
        session.add(_vessel())
    with workspace.write(Author("hand", "Ida", "measured again")) as session:
        session.scalars(select(Vessel)).one().rim_inner_mm = 76.2
    with workspace.write(Author("tool")) as session:
        session.scalars(select(Vessel)).one().note = "thick lip"
    with workspace.read() as session:
        first, second = session.scalars(select(Change).order_by(Change.id)).all()
        assert (first.record, first.field, first.before, first.after) == (
            "vessel", "rim_inner_mm", {"value": 75.0}, {"value": 76.2},
        )  # fmt: skip
        assert (first.by, first.who, first.why) == ("hand", "Ida", "measured again")
        assert (second.by, second.before, second.after) == ("tool", {"value": None}, {"value": "thick lip"})


def test_nothing_can_be_deleted_and_no_bulk_change_passes_by_the_history(workspace: store.Workspace) -> None:
    with workspace.write() as session:
        session.add(_vessel())
    with pytest.raises(RuntimeError, match="never deleted"), workspace.write() as session:
        session.delete(session.scalars(select(Vessel)).one())
    with pytest.raises(RuntimeError, match="one by one"), workspace.write() as session:
        session.execute(delete(Vessel))
    with pytest.raises(RuntimeError, match="one by one"), workspace.write() as session:
        session.execute(update(Vessel).values(rim_inner_mm=1.0))
    with workspace.read() as session:
        assert session.scalars(select(Vessel)).one().rim_inner_mm == 75.0


def test_a_time_without_zone_cannot_enter_the_log(workspace: store.Workspace, three: Callable[..., Any]) -> None:
    three(workspace)
    with pytest.raises(StatementError, match="without zone"), workspace.write() as session:
        session.add(Burn(candle_id=1, number=1, lit_at=datetime(2026, 3, 1, 18, 0)))


def test_times_come_back_as_the_same_moment_with_zone(workspace: store.Workspace, three: Callable[..., Any]) -> None:
    three(workspace)
    moment = workspace.now()
    with workspace.write() as session:
        candle = session.scalars(select(Candle)).first()
        session.add(Burn(candle=candle, number=1, lit_at=moment.astimezone(workspace.zone)))
    with workspace.read() as session:
        found = session.scalars(select(Burn)).one().lit_at
    assert found == moment
    assert found.utcoffset() == timedelta(0)


def test_a_record_cannot_point_at_nothing(workspace: store.Workspace) -> None:
    with pytest.raises(IntegrityError), workspace.write() as session:
        session.add(Burn(candle_id=99, number=1, lit_at=workspace.now()))


def test_a_value_outside_its_list_is_refused_by_the_database_itself(workspace: store.Workspace) -> None:
    with pytest.raises(IntegrityError), workspace.write() as session:
        session.add(Vessel(name="jar", rim_inner_mm=75.0, kind="bucket"))


def test_the_records_and_the_migrations_describe_the_same_tables(workspace: store.Workspace) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.migration import MigrationContext

    with workspace.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Vessel.metadata) == []


def test_the_newest_migration_is_the_one_the_store_names() -> None:
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", "pooleye.burnlog:migrations")
    assert ScriptDirectory.from_config(config).get_heads() == [store.NEWEST]


def _log_of_first_step(root: Path, monkeypatch: pytest.MonkeyPatch, database: str = "") -> None:
    """A log as the first version left it: one vessel, wax, wick, pour, candle, and a burn."""
    monkeypatch.setattr(store, "NEWEST", "0001")
    workspace = store.create_workspace(root, Settings(zone="+01:00", database=database))
    now = "2026-01-05 10:00:00.000000"
    rows = (
        "INSERT INTO vessel (id, entered_at, name, kind, rim_inner_mm) VALUES (1, :now, 'old jar', 'container', 70)",
        "INSERT INTO wax (id, entered_at, name, density_g_cm3, density_u_g_cm3, density_source, cure_days, cure_source)"
        " VALUES (1, :now, 'soy', 0.9, 0.02, 'old', 14, 'old')",
        "INSERT INTO wick (id, entered_at, name) VALUES (1, :now, 'wick 3')",
        "INSERT INTO pour (id, entered_at, name, poured_at, wax_id, load_percent, cure_days)"
        " VALUES (1, :now, 'P1', :now, 1, 8, 14)",
        "INSERT INTO candle (id, entered_at, code, pour_id, vessel_id, wick_id, wick_count, cured_from)"
        " VALUES (1, :now, 'ACET', 1, 1, 1, 1, :now)",
        "INSERT INTO burn (id, entered_at, candle_id, number, kind, lit_at, lit_half_width_min, out_half_width_min)"
        " VALUES (1, :now, 1, 1, 'standard', :now, 1, 1)",
    )
    with workspace.engine.execution_options(pooleye_write=True).connect() as connection, connection.begin():
        for row in rows:
            connection.execute(text(row), {"now": now})
    workspace.close()
    monkeypatch.undo()


def test_a_log_of_the_first_version_opens_whole_and_a_copy_is_put_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _log_of_first_step(tmp_path / "log", monkeypatch)
    workspace = store.open_workspace(tmp_path / "log")
    try:
        assert store.version_of(workspace.engine) == store.NEWEST
        assert store.check_log(workspace) == []
        with workspace.write() as session:
            candle = session.scalars(select(Candle)).one()
            assert (candle.code, candle.vessel.name, candle.pour.load_percent) == ("ACET", "old jar", 8.0)
            assert candle.burns[0].spacing_mm is None
            candle.burns[0].spacing_mm = 90.0
    finally:
        workspace.close()
    (copy,) = (tmp_path / "log" / "backups").iterdir()
    with sqlite3.connect(copy) as old:
        assert old.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]
        assert old.execute("SELECT code FROM candle").fetchall() == [("ACET",)]
    old.close()


def test_a_log_of_the_first_version_on_a_server_opens_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fresh_database: str
) -> None:
    _log_of_first_step(tmp_path / "log", monkeypatch, fresh_database)
    workspace = store.open_workspace(tmp_path / "log")
    try:
        assert store.version_of(workspace.engine) == store.NEWEST
        with workspace.read() as session:
            candle = session.scalars(select(Candle)).one()
            assert (candle.code, candle.burns[0].spacing_mm) == ("ACET", None)
    finally:
        workspace.close()


def test_two_benches_begin_one_log_on_a_server_and_see_each_others_work(tmp_path: Path, fresh_database: str) -> None:
    settings = Settings(database=fresh_database, photos=str(tmp_path / "shared"))
    first = store.create_workspace(tmp_path / "one", settings)
    second = store.create_workspace(tmp_path / "two", settings)
    try:
        add_vessel(first, "jar", 75.0)
        with second.read() as session:
            assert session.scalars(select(Vessel.name)).all() == ["jar"]
        assert first.photos == second.photos == tmp_path / "shared"
    finally:
        first.close()
        second.close()


def test_a_server_that_does_not_answer_is_named(tmp_path: Path) -> None:
    with pytest.raises(PooleyeError) as refused:
        store.create_workspace(tmp_path / "log", Settings(database="postgresql://bench@127.0.0.1:1/none"))
    assert refused.value.reference == "no-database"
    assert not (tmp_path / "log" / "pooleye.toml").exists()


def test_another_kind_of_database_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PooleyeError) as refused:
        store.create_workspace(tmp_path / "log", Settings(database="mysql://bench@127.0.0.1/none"))
    assert refused.value.reference == "bad-database"


def test_a_migration_that_fails_half_way_leaves_the_log_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from alembic import op

    _log_of_first_step(tmp_path / "log", monkeypatch)
    real = op.create_table

    def breaks(name: str, *rest: Any, **more: Any) -> Any:
        if name == "finding":
            raise OSError("pulled the plug")
        return real(name, *rest, **more)

    monkeypatch.setattr(op, "create_table", breaks)
    with pytest.raises(OSError, match="pulled the plug"):
        store.open_workspace(tmp_path / "log")
    with sqlite3.connect(tmp_path / "log" / store.LOG_NAME) as connection:
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        assert connection.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]
    connection.close()
    assert "claim" not in tables


def test_a_log_of_a_newer_version_is_left_alone(sqlite_workspace: store.Workspace) -> None:
    with sqlite3.connect(sqlite_workspace.root / store.LOG_NAME) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.close()
    with pytest.raises(PooleyeError) as refused:
        store.open_workspace(sqlite_workspace.root)
    assert refused.value.reference == "log-too-new"


def test_opening_where_there_is_no_log_says_how_to_begin_one(tmp_path: Path) -> None:
    with pytest.raises(PooleyeError) as refused:
        store.open_workspace(tmp_path)
    assert refused.value.reference == "no-log"
    assert "pooleye new" in refused.value.hint


def test_a_second_log_is_not_begun_over_the_first(sqlite_workspace: store.Workspace) -> None:
    with pytest.raises(PooleyeError) as refused:
        store.create_workspace(sqlite_workspace.root, Settings())
    assert refused.value.reference == "log-exists"


def test_a_damaged_log_is_named_as_such(sqlite_workspace: store.Workspace) -> None:
    sqlite_workspace.close()
    path = sqlite_workspace.root / store.LOG_NAME
    path.write_bytes(b"this is not a log at all" * 400)
    with pytest.raises(PooleyeError) as refused:
        store.open_workspace(sqlite_workspace.root)
    assert refused.value.reference == "log-damaged"


def test_the_nearest_log_upwards_is_found(
    sqlite_workspace: store.Workspace, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    deep = sqlite_workspace.root / "pictures" / "march"
    deep.mkdir(parents=True)
    monkeypatch.delenv("POOLEYE_WORKSPACE", raising=False)
    assert store.find_root(deep) == sqlite_workspace.root
    assert store.find_root(deep, tmp_path) == tmp_path
    monkeypatch.setenv("POOLEYE_WORKSPACE", str(tmp_path / "elsewhere"))
    assert store.find_root(deep) == tmp_path / "elsewhere"


# --- settings -------------------------------------------------------------------------------------------------------


def test_settings_survive_being_written_and_read(tmp_path: Path) -> None:
    settings = Settings(name="Laterne „Süd“", zone="Europe/Berlin", checkpoints_min=(30.0, 90.0), spacing_mm=100.0)
    (tmp_path / "pooleye.toml").write_text(settings_text(settings), "utf-8")
    assert load_settings(tmp_path / "pooleye.toml") == settings
    assert all(name in settings_text(settings) for name in SETTING_NAMES)


def test_an_unknown_setting_is_refused_with_the_nearest_name(tmp_path: Path) -> None:
    (tmp_path / "pooleye.toml").write_text("scale_stepg = 0.1\n", "utf-8")
    with pytest.raises(PooleyeError) as refused:
        load_settings(tmp_path / "pooleye.toml")
    assert "scale_step_g" in refused.value.hint


@pytest.mark.parametrize(
    "line", ["checkpoints_min = []", "checkpoints_min = [0]", "burn_min = 'long'", "name = 3", "]"]
)
def test_impossible_settings_are_refused(tmp_path: Path, line: str) -> None:
    (tmp_path / "pooleye.toml").write_text(line + "\n", "utf-8")
    with pytest.raises(PooleyeError):
        load_settings(tmp_path / "pooleye.toml")


# --- a folder that cannot be written ----------------------------------------------------------------------------------


@contextlib.contextmanager
def as_nobody() -> Iterator[None]:
    """Root may write anywhere; for this test it is nobody, and comes back through its saved user id."""
    if os.geteuid() != 0:
        yield
        return
    nobody = pwd.getpwnam("nobody").pw_uid
    os.setresuid(nobody, nobody, 0)
    try:
        yield
    finally:
        os.setresuid(0, 0, 0)


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that any user may enter (pytest's own are the test user's alone)."""
    with tempfile.TemporaryDirectory(prefix="pooleye-ro-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def test_a_log_that_may_only_be_read_is_read_and_refuses_to_write(
    open_folder: Path, three: Callable[..., Any], clock: Any
) -> None:
    made = replace(store.create_workspace(open_folder / "log", Settings()), clock=clock)
    three(made)
    assert len(status(made).candles) == 3
    made.close()
    for one in [*(open_folder / "log").rglob("*"), open_folder / "log"]:
        one.chmod(0o555 if one.is_dir() else 0o444)
    with as_nobody():
        workspace = store.open_workspace(open_folder / "log")
        assert workspace.read_only
        assert len(status(workspace).candles) == 3
        with pytest.raises(PooleyeError) as refused:
            add_vessel(workspace, "tin", 60.0)
        workspace.close()
    assert refused.value.reference == "log-read-only"


def test_a_log_opened_read_only_on_request_is_not_written(workspace: store.Workspace) -> None:
    again = store.open_workspace(workspace.root, read_only=True)
    try:
        with pytest.raises(PooleyeError) as refused:
            add_vessel(again, "jar", 75.0)
    finally:
        again.close()
    assert refused.value.reference == "log-read-only"


# --- a disk that fills up ------------------------------------------------------------------------------------------


def test_a_full_disk_is_named_and_the_log_keeps_what_it_had(sqlite_workspace: store.Workspace) -> None:
    add_vessel(sqlite_workspace, "jar", 75.0)
    sqlite_workspace.close()
    with sqlite_workspace.engine.connect() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        # SQLite's own "no more pages" is the error that a full disk gives.
        connection.exec_driver_sql(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(PooleyeError) as refused:
        add_vessel(sqlite_workspace, "tin", 60.0, note="x" * 100_000)
    assert refused.value.reference == "disk-full"
    sqlite_workspace.close()
    assert store.check_log(sqlite_workspace) == []
    add_vessel(sqlite_workspace, "tin", 60.0)
    with sqlite_workspace.read() as session:
        assert session.scalars(select(Vessel.name).order_by(Vessel.id)).all() == ["jar", "tin"]
