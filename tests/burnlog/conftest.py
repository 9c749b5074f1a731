"""What the burn log's tests share: a clock that can be set, workspaces on both databases, photos made on the spot."""

from __future__ import annotations

import contextlib
import io
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from bench_clock import Clock
from PIL import Image

from pooleye.burnlog.columns import Base
from pooleye.burnlog.filing import MeasureJob
from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace, open_workspace

T0 = datetime(2026, 3, 1, 18, 0, tzinfo=UTC)


@pytest.fixture
def clock() -> Clock:
    return Clock(T0)


def _postgres_bin() -> Path | None:
    found = shutil.which("initdb")
    candidates = [Path(found).resolve().parent] if found else []
    candidates += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((folder for folder in candidates if (folder / "postgres").exists()), None)


def _other_user() -> dict[str, Any]:
    """The server refuses to run as root: run it as its own user, or as nobody."""
    if os.geteuid() != 0:
        return {}
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            user = pwd.getpwnam(name)
            return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}
    return {}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _missing(why: str) -> None:
    """On a maker's computer the server may be missing; in the test set-up it must be there."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"no PostgreSQL server: {why}", pytrace=False)
    pytest.skip(f"no PostgreSQL server: {why}")


@pytest.fixture(scope="session")
def postgres_url() -> Iterator[str]:
    """A real PostgreSQL server in a temporary folder on its own loopback port, stopped at the end."""
    programs = _postgres_bin()
    if programs is None:
        _missing("initdb and postgres are not installed (apt-get install postgresql)")
        return
    folder = Path(tempfile.mkdtemp(prefix="pooleye-pg-"))
    other = _other_user()
    if other:
        os.chown(folder, other["user"], other["group"])
    port = _free_port()
    with tempfile.TemporaryFile() as said:
        made = subprocess.run(
            [programs / "initdb", "-D", folder / "data", "-A", "trust", "-U", "bench", "-E", "UTF8", "--locale=C"],
            stdout=said, stderr=said, cwd=folder, check=False, **other,
        )  # fmt: skip
        server = subprocess.Popen(
            [programs / "postgres", "-D", folder / "data", "-p", str(port), "-k", str(folder),
             "-c", "listen_addresses=127.0.0.1", "-c", "fsync=off", "-c", "shared_buffers=16MB"],
            stdout=said, stderr=said, cwd=folder, **other,
        )  # fmt: skip
        try:
            if made.returncode != 0 or not _answers(server, port):
                said.seek(0)
                _missing(said.read().decode("utf-8", "replace")[-800:])
            yield f"postgresql://bench@127.0.0.1:{port}"
        finally:
            server.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                server.wait(20)
            server.kill()
            server.wait()
            shutil.rmtree(folder, ignore_errors=True)


def _answers(server: subprocess.Popen[bytes], port: int) -> bool:
    import psycopg

    until = time.monotonic() + 30
    while time.monotonic() < until and server.poll() is None:
        with contextlib.suppress(psycopg.OperationalError):
            psycopg.connect(f"postgresql://bench@127.0.0.1:{port}/postgres").close()
            return True
        time.sleep(0.1)
    return False


_databases = iter(range(100_000))


def new_database(server: str) -> str:
    """An empty database of its own on the server."""
    import psycopg

    name = f"log{next(_databases)}"
    with psycopg.connect(f"{server}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")
    return f"{server}/{name}"


def _emptied(url: str) -> str:
    """The same database with no rows and its counters at 1: a hundred times faster than a new one."""
    import psycopg

    tables = [f'"{table.name}"' for table in reversed(Base.metadata.sorted_tables)]
    steps = [f"DELETE FROM {name}" for name in tables]
    steps += [f"SELECT setval(pg_get_serial_sequence('{name}', 'id'), 1, false)" for name in tables]
    with psycopg.connect(url) as connection:
        connection.execute("; ".join(steps))
    return url


SETTINGS = Settings(name="Lantern Lane", zone="Europe/Berlin")


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty log, made once and copied for each test."""
    root = tmp_path_factory.mktemp("template") / "log"
    create_workspace(root, SETTINGS).close()
    return root


@pytest.fixture(scope="session")
def postgres_log(postgres_url: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    """A log on the server, emptied before each test."""
    url = new_database(postgres_url)
    create_workspace(tmp_path_factory.mktemp("template") / "log", replace(SETTINGS, database=url)).close()
    return url


@pytest.fixture
def fresh_database(postgres_url: str) -> str:
    """A database on the server that holds nothing yet."""
    return new_database(postgres_url)


@pytest.fixture(params=["sqlite", "postgresql"])
def workspace(request: pytest.FixtureRequest, tmp_path: Path, clock: Clock) -> Iterator[Workspace]:
    """A new workspace, on each database."""
    if request.param == "sqlite":
        shutil.copytree(request.getfixturevalue("sqlite_template"), tmp_path / "log")
        made = open_workspace(tmp_path / "log")
    else:
        url = _emptied(request.getfixturevalue("postgres_log"))
        made = create_workspace(tmp_path / "log", replace(SETTINGS, database=url))
    yield replace(made, clock=clock)
    made.close()


@pytest.fixture
def sqlite_workspace(sqlite_template: Path, tmp_path: Path, clock: Clock) -> Iterator[Workspace]:
    """A new workspace on SQLite alone, for what only a file can do or a server would only slow down."""
    shutil.copytree(sqlite_template, tmp_path / "log")
    made = open_workspace(tmp_path / "log")
    yield replace(made, clock=clock)
    made.close()


@pytest.fixture
def three() -> Callable[[Workspace], tuple[str, ...]]:
    """Pours three candles alike, thirty days ago: cured, ready; returns their codes."""

    def make(workspace: Workspace, count: int = 3, **more: Any) -> tuple[str, ...]:
        alike = {"vessel": "straight jar", "wick": "wick 3", "rim_inner_mm": 75.0, "fill_mass_g": 180.0, **more}
        made = pour(workspace, Recipe("soy"), [CandleSet(count, **alike)], at=workspace.now() - timedelta(days=30))
        return made.codes

    return make


def jpeg(taken: datetime | None, *, seed: int = 0, code: str | None = None, offset: str | None = None) -> bytes:
    """A small grey JPEG whose content depends on ``seed``; with the time as the camera's wall clock, and a label."""
    picture = Image.new("RGB", (640, 480), (90 + seed % 100, 100, 110 + seed // 100 % 100))
    for bit in range(24):
        picture.putpixel((bit, 0), (255, 255, 255) if seed >> bit & 1 else (0, 0, 0))
        picture.paste((255, 255, 255) if seed >> bit & 1 else (0, 0, 0), (bit * 16, 460, bit * 16 + 16, 480))
    if code is not None:
        import segno

        from pooleye.burnlog.picture_codes import text_for

        drawn = io.BytesIO()
        segno.make(text_for(code), error="q", micro=False).save(drawn, kind="png", scale=6, border=4)
        picture.paste(Image.open(drawn).convert("RGB"), (300, 120))
    exif = Image.Exif()
    if taken is not None:
        times = {0x9003: taken.strftime("%Y:%m:%d %H:%M:%S")}
        if offset is not None:
            times[0x9011] = offset
        exif.get_ifd(0x8769).update(times)
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=92, exif=exif)
    return out.getvalue()


@pytest.fixture
def make_jpeg() -> Callable[..., bytes]:
    return jpeg


def fake_result(job: MeasureJob, *, method: str = "top/1", shift: float = 0.0) -> dict[str, Any]:
    """A result in the form of the contract, its numbers a plain function of the photo's path: no measuring."""
    pool = 40.0 + int(Path(job.path).name[:2], 16) / 16 + shift
    quantities = {"pool_diameter": {"value": pool, "u": 0.5, "unit": "mm"}}
    result = {
        "photo": job.name, "view": "top", "status": "measured", "reason": None, "hint": None, "flags": [],
        "quantities": quantities, "by_clock": {}, "outlines_px": {}, "method": method, "seconds": 0.0,
    }  # fmt: skip
    return {"result": result, "parts": {"pool_diameter": {"edge": 0.4, "rim": 0.3}}}


@pytest.fixture
def fake() -> Callable[..., dict[str, Any]]:
    return fake_result


@pytest.fixture
def threads() -> Iterator[ThreadPoolExecutor]:
    """Any executor will do; threads start at once."""
    with ThreadPoolExecutor(2) as pool:
        yield pool
