"""What tests of the phone page share: a bench with candles and a clock that can be set, a client, a real server."""

from __future__ import annotations

import os
import re
import shutil
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest
from bench_clock import Clock

from pooleye.burnlog.pours import CandleSet, Recipe, pour
from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import Workspace, create_workspace
from pooleye.phone import work
from pooleye.phone.app import create_app
from pooleye.phone.guard import Guard
from pooleye.phone.pairing import Pairing

T0 = datetime(2031, 2, 14, 9, 0, 10, tzinfo=UTC)
HOST = "127.0.0.1"


class Served:
    """An application behind a real socket on this computer, in a thread."""

    def __init__(self, app: Guard, port: int = 0) -> None:
        import uvicorn

        self.listener = socket.socket()
        self.listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self.listener.bind((HOST, port))
        self.listener.listen(64)
        self.address = f"http://{HOST}:{self.listener.getsockname()[1]}"
        config = uvicorn.Config(app, log_level="error", lifespan="off", server_header=False, proxy_headers=False)
        self.server = uvicorn.Server(config)
        self.thread = threading.Thread(target=self.server.run, kwargs={"sockets": [self.listener]}, daemon=True)

    def __enter__(self) -> Served:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.should_exit = self.server.force_exit = True
        self.thread.join(10)
        self.listener.close()


@dataclass
class PhoneBench:
    """A served workspace: three candles in the vessel of the rendered photos d1, ready to be lit."""

    workspace: Workspace
    clock: Clock
    pairing: Pairing
    address: str
    codes: tuple[str, ...]
    begin_again: Callable[[], None]

    @contextmanager
    def client(self, *, paired: bool = True) -> Iterator[httpx.Client]:
        """A phone."""
        about = {"accept": "text/html", "origin": self.address}
        with httpx.Client(base_url=self.address, headers=about, timeout=30) as phone:
            if paired:
                done = phone.post("/pair", data={"code": self.pairing.code, "who": "Ada"})
                assert done.status_code == 303, done.text
            yield phone


def begin_bench(root: Path, **settings: Any) -> tuple[Workspace, Clock, tuple[str, ...]]:
    """A workspace with three cured candles in a trial."""
    clock = Clock(T0)
    opened = create_workspace(root, Settings(name="Mossgate Shed", zone="+00:00", **settings))
    workspace = replace(opened, clock=clock)
    sets = [CandleSet(3, vessel="straight jar", wick="wick 3", rim_inner_mm=80.1, fill_mass_g=180.0)]
    codes = pour(workspace, Recipe("soy"), sets, at=clock() - timedelta(days=30)).codes
    return workspace, clock, codes


@contextmanager
def served_bench(root: Path, *, read_only: bool = False, **settings: Any) -> Iterator[PhoneBench]:
    """A bench behind a real socket whose jobs run in threads of this process."""
    workspace, clock, codes = begin_bench(root / "log", **settings)
    pairing = Pairing(workspace.root / "phones.json")
    with ThreadPoolExecutor(2) as executor, ExitStack() as running:

        def begin(pairing: Pairing, port: int = 0) -> Served:
            scratch = Path(tempfile.mkdtemp(dir=root))
            app = create_app(workspace, pairing, executor, scratch, hosts=(HOST, "localhost"), read_only=read_only)
            return running.enter_context(Served(app, port))

        def begin_again() -> None:
            """As after a restart of the computer: what was only in memory is gone, the address is the same."""
            running.close()
            bench.pairing = Pairing(workspace.root / "phones.json")
            begin(bench.pairing, int(bench.address.rpartition(":")[2]))

        bench = PhoneBench(workspace, clock, pairing, begin(pairing).address, codes, begin_again)
        yield bench
    work.close_all()
    workspace.close()


@pytest.fixture
def serve() -> Any:
    """Serves a bench of its own, as a context."""
    return served_bench


@pytest.fixture
def begin() -> Callable[..., tuple[Workspace, Clock, tuple[str, ...]]]:
    """Begins a workspace like the served one."""
    return begin_bench


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[PhoneBench]:
    """A served bench."""
    with served_bench(tmp_path) as bench:
        yield bench


@pytest.fixture
def phone(bench: PhoneBench) -> Iterator[httpx.Client]:
    """A paired phone."""
    with bench.client() as client:
        yield client


def form_key(page: httpx.Response, action: str) -> str:
    """The key of a form on a page."""
    found = re.search(rf'action="/do/{action}".*?name="key" value="([0-9a-f]{{32}})"', page.text, re.DOTALL)
    assert found, f"no form {action}"
    return found[1]


@pytest.fixture
def do(phone: httpx.Client) -> Callable[..., httpx.Response]:
    """Fill in a form of a candle's page and send it."""

    def send(action: str, code: str, **fields: str) -> httpx.Response:
        key = form_key(phone.get(f"/candle/{code}"), action)
        return phone.post(f"/do/{action}", data={"key": key, "code": code, **fields})

    return send


@pytest.fixture(scope="session")
def chromium() -> str:
    """The browser of the system; on a maker's computer it may be missing, in the test set-up it must be there."""
    found = shutil.which("chromium")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("no chromium (apt-get install chromium)", pytrace=False)
        pytest.skip("no chromium (apt-get install chromium)")
    return found
