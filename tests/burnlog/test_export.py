"""The log for other programs: what goes out is right, and what comes back in is the same to the last bit."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import sqlite3
import struct
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import jsonschema
import openpyxl
import pytest
from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Date,
    Float,
    Integer,
    MetaData,
    Numeric,
    String,
    Table,
    insert,
)

from pooleye.burnlog import burns, corrections, looks, store, weighing
from pooleye.burnlog.checking import check_all
from pooleye.burnlog.columns import UtcTime
from pooleye.burnlog.corrections import adjust, correct, strike
from pooleye.burnlog.export import service, whole_log
from pooleye.burnlog.export.bring_in import bring_in
from pooleye.burnlog.export.forms import choices, record_back, record_out
from pooleye.burnlog.export.pack import opened
from pooleye.burnlog.export.rows import TABLES
from pooleye.burnlog.export.schema import log_schema, schema_text
from pooleye.burnlog.findings import Found, keep_findings
from pooleye.burnlog.materials import add_lot, add_vessel
from pooleye.burnlog.overview import show
from pooleye.burnlog.results import as_json
from pooleye.burnlog.settings import Settings, settings_text
from pooleye.burnlog.snap import snap
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.judge.service import OWN_CRITERIA

ROOT = Path(__file__).parents[2]
TABLE = {one.name: one for one in whole_log.tables()}
# Signs that break careless programs: quotes, lines, other scripts, what joins or turns, a formula, half of nothing.
WORDS = 'Ruß „links“, "right"\r\n火 🕯 é \u202e= =1+1 \\ \t </b> ½'


@pytest.fixture
def fresh(tmp_path: Path, sqlite_template: Path) -> Iterator[Callable[..., Workspace]]:
    """Makes empty workspaces, with the settings that a maker gets who says nothing."""
    made: list[Workspace] = []

    def make(database: str = "") -> Workspace:
        root = tmp_path / f"fresh{len(made)}"
        if database:
            made.append(store.create_workspace(root, Settings(database=database)))
        else:
            shutil.copytree(sqlite_template, root)
            (root / "pooleye.toml").write_text(settings_text(Settings()), "utf-8")
            made.append(store.open_workspace(root))
        return made[-1]

    yield make
    for one in made:
        one.close()


# --- a log with something in every field ---------------------------------------------------------------------------


def _value(table: Table, column: Column[Any], number: int) -> Any:
    """A value for a field of the ``number``-th record: everything that may be empty is so in the last one."""
    if column.nullable and number == 3:
        return None
    if column.foreign_keys or column.primary_key:
        return number
    if allowed := choices(table).get(column.name):
        return allowed[number % len(allowed)]
    if column.name in ("sha256", "burst_of"):
        return f"{number:064x}"
    if column.name == "suffix":
        return ("", ".jpg", ".heic")[number - 1]
    kind = column.type
    if isinstance(kind, UtcTime):
        return datetime(2026, 10, 25, 2, 30, 0, 123456 * (number - 1), tzinfo=UTC) + timedelta(hours=number)
    if isinstance(kind, Boolean):
        return number % 2 == 0
    if isinstance(kind, Integer):
        return 2**31 - number
    if isinstance(kind, Float):
        return (0.1 + 0.2, 5e-324, 1.7976931348623157e308)[number - 1]
    if isinstance(kind, JSON):
        return {"wort": WORDS, "value": {"value": 0.1 + 0.2, "u": 1e-9, "unit": "mm"}, "none": None, "many": [1, 1.0]}
    assert isinstance(kind, String), f"a kind of column that this test does not know: {kind}"
    return f"{number} {WORDS}"


def fill_every_field(workspace: Workspace) -> None:
    """Three records in every table, by the tables alone: a field that is added later is in it too."""
    with workspace.write() as session:
        for table in whole_log.tables():
            rows = [{one.name: _value(table, one, number) for one in table.columns} for number in (1, 2, 3)]
            session.connection().execute(insert(table), rows)


def raw(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """What the file itself holds, with SQLite's own types, read without this project's code."""
    with sqlite3.connect(path) as base:
        names = [one[0] for one in base.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
        found = {}
        for name in names:
            fields = [one[1] for one in base.execute(f'PRAGMA table_info("{name}")')]
            wanted = ", ".join(f'"{one}", typeof("{one}")' for one in fields)
            rows = base.execute(f'SELECT {wanted} FROM "{name}" ORDER BY 1').fetchall()
            found[name] = [tuple(struct.pack("d", v) if isinstance(v, float) else v for v in row) for row in rows]
    base.close()
    return found


def records(workspace: Workspace, out: Path) -> Any:
    service.export_json(workspace, out)
    return json.loads(out.read_text("utf-8"))["records"]


def test_every_field_of_every_table_comes_back_to_the_last_bit(
    sqlite_workspace: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    fill_every_field(sqlite_workspace)
    service.export_json(sqlite_workspace, tmp_path / "log.json")
    again = fresh()
    done = bring_in(again, tmp_path / "log.json")
    assert done.records == 3 * len(whole_log.tables())
    before, after = (raw(one.root / store.LOG_NAME) for one in (sqlite_workspace, again))
    assert before == after
    assert all(len(rows) == 3 for name, rows in before.items() if name != "alembic_version")


def test_a_log_goes_from_either_database_to_a_file_and_back(
    workspace: Workspace, fresh: Callable[..., Workspace], fresh_database: str, tmp_path: Path
) -> None:
    fill_every_field(workspace)
    first = records(workspace, tmp_path / "first.json")
    on_server = fresh(database=fresh_database)
    bring_in(on_server, tmp_path / "first.json")
    assert records(on_server, tmp_path / "second.json") == first
    in_file = fresh()
    bring_in(in_file, tmp_path / "second.json")
    assert records(in_file, tmp_path / "third.json") == first


def test_new_records_after_an_import_get_new_numbers(
    workspace: Workspace, fresh: Callable[..., Workspace], fresh_database: str, tmp_path: Path
) -> None:
    add_vessel(workspace, "jar", 75.0)
    service.export_json(workspace, tmp_path / "log.json")
    for again in (fresh(), fresh(database=fresh_database)):
        bring_in(again, tmp_path / "log.json")
        add_vessel(again, "tin", 60.0)
        vessels = records(again, tmp_path / "again.json")["vessel"]
        assert [(one["id"], one["name"]) for one in vessels] == [(1, "jar"), (2, "tin")]


KINDS = Table(
    "kinds",
    MetaData(),
    Column("at", UtcTime),
    Column("day", Date),
    Column("amount", Numeric(20, 6)),
    Column("x", Float),
)


def test_dates_and_decimals_keep_every_digit_and_times_their_moment() -> None:
    here = datetime(2026, 3, 29, 3, 30, 0, 1, tzinfo=store.zone_named("Europe/Berlin"))
    row = {"at": here, "day": date(2026, 2, 28), "amount": Decimal("12345678901234.100000"), "x": 0.1}
    out = record_out(KINDS, row)
    assert out == {
        "at": "2026-03-29T01:30:00.000001Z",
        "day": "2026-02-28",
        "amount": "12345678901234.100000",
        "x": 0.1,
    }
    assert record_back(KINDS, json.loads(json.dumps(out))) == row


def test_results_with_a_date_become_json() -> None:
    assert as_json({"day": date(2026, 3, 1), "at": datetime(2026, 3, 1, 18, tzinfo=UTC)}) == {
        "day": "2026-03-01",
        "at": "2026-03-01T18:00:00Z",
    }


def test_an_export_sees_one_state_while_others_write(workspace: Workspace, tmp_path: Path) -> None:
    """Else a measurement could come without the photo that it points at."""
    with workspace.read() as session:
        assert list(whole_log.stored(session, TABLE["wax"])) == []
        add_vessel(workspace, "jar", 75.0)
        assert list(whole_log.stored(session, TABLE["vessel"])) == []
    assert len(records(workspace, tmp_path / "log.json")["vessel"]) == 1


# --- the schema ----------------------------------------------------------------------------------------------------


def test_the_published_schema_is_the_one_the_records_give() -> None:
    published = (ROOT / "docs" / "log.schema.json").read_text("utf-8")
    assert published == schema_text(), "pooleye export schema --out docs/log.schema.json"
    jsonschema.Draft202012Validator.check_schema(json.loads(published))


def test_an_export_is_valid_by_the_schema(workspace: Workspace, tmp_path: Path) -> None:
    fill_every_field(workspace)
    service.export_json(workspace, tmp_path / "log.json")
    document = json.loads((tmp_path / "log.json").read_text("utf-8"))
    for table in document["records"].values():
        for record in table:
            record.update({name: [] for name in ("flags",) if name in record})
    jsonschema.Draft202012Validator(log_schema()).validate(document)


def _set(path: str, *value: Any) -> Callable[[Any], None]:
    """Puts a value at a place of the document; without one, takes away what is there."""
    *way, last = (int(one) if one.isdigit() else one for one in path.split("."))

    def change(document: Any) -> None:
        for step in way:
            document = document[step]
        if value:
            document[last] = value[0]
        else:
            del document[last]

    return change


WRONG_RECORDS = {
    "a number as text": _set("records.vessel.0.rim_inner_mm", "75"),
    "yes as a number": _set("records.vessel.0.rim_inner_mm", True),
    "a time without zone": _set("records.vessel.0.entered_at", "2026-03-01T18:00:00"),
    "a day that is none": _set("records.vessel.0.entered_at", "2026-13-01T18:00:00Z"),
    "empty where it must not be": _set("records.vessel.0.name", None),
    "no such kind": _set("records.vessel.0.kind", "bucket"),
    "a number as a name": _set("records.vessel.0.name", 7),
    "half a character": _set("records.vessel.0.name", "\ud83d"),
    "half a whole number": _set("records.candle.0.wick_count", 1.5),
    "an endless whole number": _set("records.candle.0.wick_count", 10**30),
    "a hash that is a path": _set("records.photo.0.sha256", "../../../etc/passwd"),
    "a suffix that is a path": _set("records.photo.0.suffix", "/../x"),
    "a field too many": _set("records.vessel.0.colour", "red"),
    "a field too few": _set("records.vessel.0.name"),
    "a table too few": _set("records.vessel"),
    "a table too many": _set("records.lamp", []),
    "no list": _set("records.vessel", {}),
    "no record": _set("records.vessel.0", 7),
    "the same number twice": _set("records.vessel.1.id", 1),
    "a link to nothing": _set("records.candle.0.vessel_id", 99),
    "against a check of the database": _set("records.weighing.0.mass_g", -1.0),
    "an unknown setting": _set("settings.colour", "red"),
    "an impossible setting": _set("settings.checkpoints_min", [-1]),
    "an unknown zone": _set("settings.zone", "Moon/Base"),
    "a newer step": _set("step", "9999"),
    "a step that never was": _set("step", "0000"),
    "another format": _set("format", "cookbook"),
    "no records": _set("records"),
    "a file of another name": _set("files", {"../pooleye.toml": "x"}),
    "a file that is no text": _set("files", {"criteria.toml": 7}),
    "half a character in a file": _set("files", {"criteria.toml": "\ud83d"}),
    "half a character in a setting": _set("settings.name", "\ud83d"),
}  # fmt: skip
# What no schema can say: how records hang together, and what the file would do to a string of this program's own.
BEYOND_THE_SCHEMA = {
    "a day that is none", "half a character", "half a character in a file", "half a character in a setting",
    "the same number twice", "a link to nothing", "an endless whole number",
    "against a check of the database", "an impossible setting", "an unknown zone",
}  # fmt: skip


def untouched(workspace: Workspace) -> Any:
    """Everything in the folder: records as the database has them, every file's bytes."""
    files = {one: one.read_bytes() for one in workspace.root.rglob("*") if one.is_file() and "sqlite" not in one.name}
    return raw(workspace.root / store.LOG_NAME), files


def refused(workspace: Workspace, path: Path) -> PooleyeError:
    """Bringing the file in is refused with words for a maker, and nothing is changed."""
    before = untouched(workspace)
    with pytest.raises(PooleyeError) as error:
        bring_in(workspace, path)
    assert untouched(workspace) == before
    assert not list(workspace.root.rglob(".incoming*"))
    return error.value


@pytest.mark.parametrize("what", WRONG_RECORDS)
def test_a_wrong_document_is_refused_whole_and_by_the_schema_too(
    what: str, sqlite_workspace: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    fill_every_field(sqlite_workspace)
    path = tmp_path / "log.json"
    service.export_json(sqlite_workspace, path)
    document = json.loads(path.read_text("utf-8"))
    WRONG_RECORDS[what](document)
    path.write_text(json.dumps(document), "utf-8")
    error = refused(fresh(), path)
    assert "log.json" in error.message or "Moon/Base" in error.message
    if what not in BEYOND_THE_SCHEMA:
        assert not jsonschema.Draft202012Validator(log_schema()).is_valid(document)


@pytest.mark.parametrize(
    "data",
    [b"", b"\xff\xd8\xff\xe0 a photo", b"candle,value\r\n", b'{"format": "pooleye burn log"', b"[" * 100_000, b"[]",
     b'{"format": "pooleye burn log", "step": "0001", "settings": {"burn_min": NaN}, "files": {}, "records": {}}',
     b'{"format": "pooleye burn log", "step": "0001", "settings": {"burn_min": 1e999}, "files": {}, "records": {}}'],
)  # fmt: skip
def test_what_is_no_whole_json_is_refused(data: bytes, fresh: Callable[..., Workspace], tmp_path: Path) -> None:
    (tmp_path / "log.json").write_bytes(data)
    assert refused(fresh(), tmp_path / "log.json").reference == "not-a-log"


def test_a_file_that_is_not_there_is_named(fresh: Callable[..., Workspace], tmp_path: Path) -> None:
    error = refused(fresh(), tmp_path / "nothing.json")
    assert error.reference == "unreadable-file"
    assert "nothing.json" in error.message


def test_a_byte_order_mark_does_no_harm(
    sqlite_workspace: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    fill_every_field(sqlite_workspace)
    service.export_json(sqlite_workspace, tmp_path / "log.json")
    (tmp_path / "marked.json").write_bytes(b"\xef\xbb\xbf" + (tmp_path / "log.json").read_bytes())
    assert bring_in(fresh(), tmp_path / "marked.json").records == 3 * len(whole_log.tables())


# --- a log of an earlier step --------------------------------------------------------------------------------------


def test_what_an_earlier_version_exported_comes_in_brought_up_to_date(
    fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    """The file is as step 0001 would have written it: the tables and fields of then."""
    engine = store.empty_log(tmp_path / "then.sqlite", "0001")
    then = MetaData()
    then.reflect(engine)
    engine.dispose()
    now = "2026-01-05T10:00:00Z"
    given = {
        "vessel": {"name": "old jar", "kind": "container", "rim_inner_mm": 70},
        "wax": {"name": "soy", "density_g_cm3": 0.9, "density_u_g_cm3": 0.02, "density_source": "old",
                "cure_days": 14, "cure_source": "old"},
        "wick": {"name": "wick 3"},
        "pour": {"name": "P1", "poured_at": now, "wax_id": 1, "load_percent": 8, "cure_days": 14},
        "candle": {"code": "ACET", "pour_id": 1, "vessel_id": 1, "wick_id": 1, "wick_count": 1, "cured_from": now},
        "burn": {"candle_id": 1, "number": 1, "kind": "standard", "lit_at": now, "lit_half_width_min": 1,
                 "out_half_width_min": 1},
    }  # fmt: skip
    tables: dict[str, list[Any]] = {name: [] for name in then.tables if name != "alembic_version"}
    for name, record in given.items():
        tables[name] = [dict.fromkeys(then.tables[name].columns.keys()) | {"id": 1, "entered_at": now} | record]
    document = {
        "format": whole_log.FORMAT,
        "step": "0001",
        "settings": {"zone": "+01:00"},
        "files": {},
        "records": tables,
    }
    (tmp_path / "old.json").write_text(json.dumps(document), "utf-8")
    again = fresh()
    assert bring_in(again, tmp_path / "old.json").records == 6
    shown = show(again, "ACET")
    assert (shown.vessel, shown.load_percent, shown.burns[0].number) == ("old jar", 8.0, 1)
    assert store.load_settings(again.root / "pooleye.toml").zone == "+01:00"
    document["records"]["burn"][0]["candle_id"] = 9
    (tmp_path / "old.json").write_text(json.dumps(document), "utf-8")
    assert refused(fresh(), tmp_path / "old.json").reference == "bad-record"


# --- a log as it is lived ------------------------------------------------------------------------------------------


@pytest.fixture
def lived(
    sqlite_workspace: Workspace, three: Callable[..., Any], clock: Any, tmp_path: Path, make_jpeg: Any, fake: Any
) -> Workspace:
    """An evening with photos, hand corrections, notes, a finding, an incident, an edit and a struck weighing."""
    workspace = sqlite_workspace
    first, second, _ = three(workspace, headspace_mm=20.0)
    add_lot(workspace, "wax", "W-7", of="soy", amount=5000.0, price=42.0)
    weighing.weigh(workspace, first, 512.3)
    weighing.weigh(workspace, second, 498.0)
    burns.light(workspace, [first, second], how=burns.Lighting(spacing_mm=100.0))
    clock.forward(minutes=60)
    (tmp_path / "Rauch.JPG").write_bytes(make_jpeg(None, seed=1))
    snap(workspace, tmp_path / "Rauch.JPG", code=first, measure=fake)
    adjust(workspace, "Rauch.JPG", "pool_diameter", "58mm", half_width="1mm", who="Ida")
    noted = looks.note(workspace, first, '=HYPERLINK("x") Ruß, full to the wall', tester="Ida")
    claim = {"quantity": "melt-pool", "state": "full", "value": None, "unit": None, "where": None,
             "superseded": False, "hedged": True, "words": "full to the wall"}  # fmt: skip
    looks.keep_claims(workspace, noted.note_id, "notes/1", [claim])
    looks.measure_by_hand(workspace, first, "heat", 52.0, who="@ida")
    clock.forward(minutes=180)
    burns.snuff(workspace, [first])
    looks.incident(workspace, second, "cracked", words="a click")
    clock.forward(hours=3)
    weighing.weigh(workspace, first, 489.9)
    weighing.weigh(workspace, first, 489.7)
    strike(workspace, "weighing", "4", "wrong candle")
    correct(workspace, "vessel", "straight jar", "rim-inner", "75.6mm", who="Ida", why="measured again")
    keep_findings(workspace, [Found("hot", "watch", "hot", "judged", {"u": 0.1}, candle=first, burn=1)])
    return workspace


def first_code(workspace: Workspace) -> str:
    with workspace.read() as session:
        return str(next(iter(whole_log.stored(session, TABLE["candle"])))["code"])


def test_a_packed_log_comes_back_with_photos_history_and_all(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    done = service.export_pack(lived, tmp_path / "log.zip")
    assert dict(done.holds)["photos"] == 1
    again = fresh()
    came = bring_in(again, tmp_path / "log.zip")
    assert (came.photos, came.photos_missing, came.already_there) == (1, 0, False)
    assert raw(again.root / store.LOG_NAME) == raw(lived.root / store.LOG_NAME)
    assert check_all(again).sound
    code = first_code(lived)
    assert show(again, code).burns == show(lived, code).burns
    assert corrections.history(again, code) == corrections.history(lived, code)
    assert set(came.settings_changed) == {"name", "zone"}


def test_equal_logs_make_equal_packs(lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    again = fresh()
    bring_in(again, tmp_path / "log.zip")
    reopened = store.with_clock(store.open_workspace(again.root), lived.now())
    service.export_pack(reopened, tmp_path / "again.zip")
    reopened.close()
    assert (tmp_path / "again.zip").read_bytes() == (tmp_path / "log.zip").read_bytes()


def test_limits_of_ones_own_go_along_and_do_not_replace_others(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    own = "# höher\r\n[flame_height_limit]\nmost = 60\n".encode()
    (lived.root / OWN_CRITERIA).write_bytes(own)
    service.export_json(lived, tmp_path / "log.json")
    again, other = fresh(), fresh()
    (other.root / OWN_CRITERIA).write_bytes(b"# mine\n")
    assert bring_in(again, tmp_path / "log.json").files == (OWN_CRITERIA,)
    assert bring_in(other, tmp_path / "log.json").files == ()
    assert (again.root / OWN_CRITERIA).read_bytes() == own
    assert (other.root / OWN_CRITERIA).read_bytes() == b"# mine\n"


def test_json_alone_names_the_photos_by_hash_and_the_pack_brings_them_later(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_json(lived, tmp_path / "log.json")
    service.export_pack(lived, tmp_path / "log.zip")
    again = fresh()
    came = bring_in(again, tmp_path / "log.json")
    assert (came.photos, came.photos_missing) == (0, 1)
    assert any("photos folder" in line for line in came.said())
    later = bring_in(again, tmp_path / "log.zip")
    assert (later.already_there, later.photos, later.photos_missing) == (True, 1, 0)
    assert check_all(again).sound


def test_a_log_that_holds_other_records_takes_nothing_in(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    again = fresh()
    add_vessel(again, "jar", 75.0)
    assert refused(again, tmp_path / "log.zip").reference == "log-not-empty"
    other = fresh()
    bring_in(other, tmp_path / "log.zip")
    looks.note(other, first_code(other), "one note more")
    assert refused(other, tmp_path / "log.zip").reference == "log-not-empty"


# --- packs that are not right --------------------------------------------------------------------------------------


def repacked(source: Path, target: Path, change: Callable[[dict[str, bytes]], None]) -> Path:
    """The pack with other contents, written anew."""
    with zipfile.ZipFile(source) as pack:
        held = {one: pack.read(one) for one in pack.namelist()}
    change(held)
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, data in held.items():
            pack.writestr(name, data)
    return target


def photo_name(held: dict[str, bytes]) -> str:
    return next(one for one in held if one.startswith("photos/"))


def swap_photo(held: dict[str, bytes]) -> None:
    name = photo_name(held)
    held[name] = bytes(reversed(held[name]))


def longer_photo(held: dict[str, bytes]) -> None:
    held[photo_name(held)] += b"x"


def bomb_as_log(held: dict[str, bytes]) -> None:
    held["log.json"] = b" " * 40_000_000


def bomb_as_photo(held: dict[str, bytes]) -> None:
    """A photo of zeros whose hash and length the log itself claims."""
    import hashlib

    bomb = bytes(40_000_000)
    old, sha = photo_name(held), hashlib.sha256(bomb).hexdigest()
    text = held["log.json"].decode().replace(Path(old).stem, sha)
    held["log.json"] = re.sub(r'"bytes": \d+', f'"bytes": {len(bomb)}', text).encode()
    del held[old]
    held[f"photos/{sha[:2]}/{sha}.jpg"] = bomb


WRONG_PACKS: dict[str, tuple[Callable[[dict[str, bytes]], Any], str]] = {
    "another photo": (swap_photo, "SHA-256 differs"),
    "a longer photo": (longer_photo, "not as long"),
    "a photo too few": (lambda held: held.pop(photo_name(held)), "lacks 1 photos"),
    "a photo too many": (lambda held: held.update({"photos/ab/more.jpg": b"x"}), "belongs to no photo"),
    "a way out": (lambda held: held.update({"../../escaped.jpg": b"x"}), "belongs to no photo"),
    "a way from the root": (lambda held: held.update({"/tmp/escaped.jpg": b"x"}), "belongs to no photo"),
    "a folder outside": (lambda held: held.update({"../outside/": b""}), "belongs to no photo"),
    "no log": (lambda held: held.pop("log.json"), "without a log.json"),
    "a log that swells": (bomb_as_log, "would swell"),
    "a photo that swells": (bomb_as_photo, "would swell"),
}


@pytest.mark.parametrize("what", WRONG_PACKS)
def test_a_wrong_pack_is_refused_whole(
    what: str, lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    change, words = WRONG_PACKS[what]
    error = refused(fresh(), repacked(tmp_path / "log.zip", tmp_path / "wrong.zip", change))
    assert error.reference == "bad-pack"
    assert words in error.message
    assert not list(tmp_path.rglob("escaped*"))


def test_a_pack_that_was_unpacked_and_packed_again_by_hand_is_taken(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    shutil.unpack_archive(tmp_path / "log.zip", tmp_path / "unpacked")
    again = shutil.make_archive(str(tmp_path / "again"), "zip", tmp_path / "unpacked")
    assert bring_in(fresh(), Path(again)).photos == 1


@pytest.mark.parametrize("share", [0.01, 0.5, 0.9, 0.999])
def test_a_pack_that_was_cut_short_is_refused(
    share: float, lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    data = (tmp_path / "log.zip").read_bytes()
    (tmp_path / "cut.zip").write_bytes(data[: int(len(data) * share)])
    assert refused(fresh(), tmp_path / "cut.zip").reference == "bad-pack"


def test_a_flipped_bit_anywhere_in_a_pack_is_noticed_or_does_no_harm(lived: Workspace, tmp_path: Path) -> None:
    """A date in a zip's own head may change and nothing else with it; records and photos may not."""
    service.export_pack(lived, tmp_path / "log.zip")
    whole = (tmp_path / "log.zip").read_bytes()
    with opened(tmp_path / "log.zip") as file:
        document = file.document
    noticed = 0
    for place in range(0, len(whole), max(1, len(whole) // 400)):
        data = bytearray(whole)
        data[place] ^= 1 << place % 8
        (tmp_path / "flipped.zip").write_bytes(data)
        try:
            with opened(tmp_path / "flipped.zip") as file:
                file.check_photos(whole_log.rows_of(file.document, "flipped", TABLE)["photo"])
                assert file.document == document
        except PooleyeError:
            noticed += 1
    assert noticed > 300


@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_a_pack_that_names_a_file_twice_is_refused(
    lived: Workspace, fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    service.export_pack(lived, tmp_path / "log.zip")
    with zipfile.ZipFile(tmp_path / "log.zip", "a") as pack:
        pack.writestr("log.json", "{}")
    assert "twice" in refused(fresh(), tmp_path / "log.zip").message


@pytest.mark.parametrize("harm", ["missing", "changed"])
def test_a_log_with_a_damaged_photo_is_not_packed_and_no_half_file_is_left(
    harm: str, lived: Workspace, tmp_path: Path
) -> None:
    (photo,) = (one for one in lived.photos.glob("*/*") if one.is_file())
    photo.chmod(0o644)
    photo.unlink() if harm == "missing" else photo.write_bytes(b"another")
    (tmp_path / "out").mkdir()
    with pytest.raises(PooleyeError, match=r"Rauch\.JPG") as error:
        service.export_pack(lived, tmp_path / "out" / "log.zip")
    assert error.value.reference == "photo-damaged"
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize("name", ["log.txt", "burnlog.sqlite", "photo.jpg", "none/log.csv"])
def test_nothing_but_a_file_of_its_kind_is_written(name: str, lived: Workspace, tmp_path: Path) -> None:
    with pytest.raises(PooleyeError) as error:
        service.export_csv(lived, tmp_path / name)
    assert error.value.reference == "cannot-write"
    assert not (tmp_path / name).exists()


# --- tables --------------------------------------------------------------------------------------------------------


def csv_rows(workspace: Workspace, path: Path) -> list[dict[str, str]]:
    service.export_csv(workspace, path)
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline="")))


def test_the_csv_has_one_row_for_each_measurement_that_counts(lived: Workspace, tmp_path: Path) -> None:
    rows = csv_rows(lived, tmp_path / "m.csv")
    found = [(one["quantity"], one["by"], one["burn"], float(one["value"]), one["unit"]) for one in rows]
    code = first_code(lived)
    (tool,) = (one.quantities["pool_diameter"] for one in show(lived, code).burns[0].photos)
    assert sorted(one for one in found if one[0] != "mass") == [
        ("pool_diameter", "hand", "1", 58.0, "mm"),
        ("pool_diameter", "tool", "1", tool.value, "mm"),
        ("vessel_temperature", "hand", "1", 52.0, "C"),
    ]
    # the struck weighing is not there
    assert [one[3] for one in found if one[0] == "mass"] == [512.3, 489.9, 498.0]
    (heat,) = (one for one in rows if one["quantity"] == "vessel_temperature")
    # 19:00 UTC on 1 March is 20:00 in Berlin
    assert (heat["at"], heat["at_utc"]) == ("2026-03-01 20:00:00", "2026-03-01 19:00:00")
    assert float(heat["u"]) == 3.0 / 3**0.5
    assert (heat["minutes_alight"], heat["wick"], heat["fragrance"]) == ("60.0", "wick 3", "")


@pytest.mark.parametrize(("table", "rows"), [("burns", 2), ("candles", 3), ("notes", 1)])
def test_every_table_can_be_had_as_csv(table: str, rows: int, lived: Workspace, tmp_path: Path) -> None:
    assert service.export_csv(lived, tmp_path / "t.csv", table=table).holds == ((table, rows),)
    head, *body = csv.reader(io.StringIO((tmp_path / "t.csv").read_bytes().decode("utf-8-sig"), newline=""))
    assert head == list(TABLES[table].columns)
    assert len(body) == rows
    if table == "notes":
        assert body[0][head.index("text")] == '\'=HYPERLINK("x") Ruß, full to the wall'


def test_the_csv_begins_with_the_mark_by_which_spreadsheets_know_utf_8(lived: Workspace, tmp_path: Path) -> None:
    csv_rows(lived, tmp_path / "m.csv")
    data = (tmp_path / "m.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbfcandle,")
    assert data.count(b"\r\n") == data.count(b"\n")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"])
def test_no_text_in_the_csv_can_be_taken_for_a_formula(
    start: str, sqlite_workspace: Workspace, three: Callable[..., Any], fresh: Callable[..., Workspace], tmp_path: Path
) -> None:
    """The list is that of OWASP's page on CSV injection."""
    evil = f"{start}cmd|' /C calc'!A0"
    code, *_ = three(sqlite_workspace)
    looks.measure_by_hand(sqlite_workspace, code, "heat", -5.0, who=evil)
    (row,) = csv_rows(sqlite_workspace, tmp_path / "m.csv")
    assert row["who"] == f"'{evil}"
    assert row["value"] == "-5.0"
    again = fresh()
    service.export_json(sqlite_workspace, tmp_path / "log.json")
    bring_in(again, tmp_path / "log.json")
    assert records(again, tmp_path / "again.json")["measurement"][0]["who"] == evil


def test_the_workbook_has_real_numbers_dates_and_texts(lived: Workspace, tmp_path: Path) -> None:
    service.export_xlsx(lived, tmp_path / "log.xlsx")
    book = openpyxl.load_workbook(tmp_path / "log.xlsx")
    assert book.sheetnames == ["measurements", "burns", "candles", "notes", "about"]
    sheets = {}
    for name, table in TABLES.items():
        head, *rows = list(book[name].iter_rows())
        assert [one.value for one in head] == list(table.columns)
        sheets[name] = [dict(zip(table.columns, row, strict=True)) for row in rows]
    assert [len(rows) for rows in sheets.values()] == [6, 2, 3, 1]
    (heat,) = (one for one in sheets["measurements"] if one["quantity"].value == "vessel_temperature")
    assert (heat["value"].data_type, heat["value"].value) == ("n", 52)
    assert (heat["at"].data_type, heat["at"].value) == ("d", datetime(2026, 3, 1, 20, 0))
    (note,) = sheets["notes"]
    assert (note["text"].data_type, note["text"].value) == ("s", '=HYPERLINK("x") Ruß, full to the wall')
    assert note["text"].quotePrefix
    assert note["claims"].value == "melt-pool full hedged"
    burn = sheets["burns"][0]
    # 512.3 g to 489.9 g in 4 h
    assert burn["burn_rate_g_h"].value == pytest.approx(5.6)
    assert sheets["burns"][1]["incidents"].value == "cracked (a click)"
    told = [one.value for row in book["about"].iter_rows() for one in row if one.value]
    assert set(TABLES["measurements"].columns) <= set(told)


def test_no_control_character_or_endless_note_breaks_the_workbook(
    sqlite_workspace: Workspace, three: Callable[..., Any], tmp_path: Path
) -> None:
    code, *_ = three(sqlite_workspace)
    looks.note(sqlite_workspace, code, "bell \x07 #N/A " + "🕯" * 20_000)
    looks.note(sqlite_workspace, code, "#N/A")
    service.export_xlsx(sqlite_workspace, tmp_path / "log.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "log.xlsx")["notes"]
    assert [(sheet[f"F{row}"].data_type, sheet[f"F{row}"].value[:8]) for row in (2, 3)] == [
        ("s", "bell � #"), ("s", "#N/A"),
    ]  # fmt: skip
    assert len(sheet["F2"].value.encode("utf-16-le")) // 2 in (32_766, 32_767)
    assert (sheet["G2"].data_type, sheet["G2"].value) == ("n", None)


def test_an_empty_log_exports_heads_alone(sqlite_workspace: Workspace, tmp_path: Path) -> None:
    assert csv_rows(sqlite_workspace, tmp_path / "m.csv") == []
    assert service.export_xlsx(sqlite_workspace, tmp_path / "m.xlsx").holds == (("measurements", 0),)
    assert all(rows == [] for rows in records(sqlite_workspace, tmp_path / "m.json").values())


def test_every_column_of_a_table_says_what_it_means() -> None:
    for table in TABLES.values():
        assert all(column.words.strip() for column in table.columns.values())


# --- the commands --------------------------------------------------------------------------------------------------


def test_the_commands_write_and_bring_in(
    lived: Workspace, tmp_path: Path, command: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "out").mkdir()
    monkeypatch.chdir(tmp_path / "out")
    here = ("-w", str(lived.root))
    for arguments in (("csv",), ("csv", "--table", "burns"), ("xlsx",), ("json",), ("json", "--photos")):
        assert command("export", *arguments, *here)[0] == 0
    assert command("export", "schema")[0] == 0
    assert {one.name for one in Path().iterdir()} == {
        "measurements.csv", "burns.csv", "burnlog.xlsx", "burnlog.json", "burnlog.zip", "log.schema.json",
    }  # fmt: skip
    assert command("new", "again")[0] == 0
    status, out, _ = command("import", "burnlog.zip", "-w", "again", "--json")
    assert status == 0
    assert json.loads(out)["photos"] == 1
    status, _, err = command("import", "burnlog.xlsx", "-w", "again")
    assert (status, "error[bad-pack]" in err) == (2, True)


@pytest.mark.parametrize(
    "arguments",
    [
        ("pdf",),
        ("csv", "--photos"),
        ("csv", "--table", "vessels"),
        ("xlsx", "--table", "burns"),
        ("csv", "--out", "burnlog.sqlite"),
    ],
)
def test_wrong_use_of_the_command_writes_nothing(
    arguments: tuple[str, ...], lived: Workspace, command: Callable[..., tuple[int, str, str]], outside: Path
) -> None:
    before = untouched(lived)
    status, _, err = command("export", *arguments, "-w", str(lived.root))
    assert status == 2
    assert err
    assert untouched(lived) == before
    assert not list(outside.glob("*.csv"))


def test_the_page_on_exports_names_every_column_and_what_it_means() -> None:
    page = (ROOT / "docs" / "export.md").read_text("utf-8")
    for name, column in TABLES["measurements"].columns.items():
        assert f"| `{name}` | {column.words} |" in page
    for table in TABLES.values():
        assert all(f"`{name}`" in page for name in table.columns)
