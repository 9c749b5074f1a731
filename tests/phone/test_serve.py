"""`pooleye serve` as a command: what it prints, where it listens, how it ends."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from pooleye.burnlog.settings import Settings
from pooleye.burnlog.store import create_workspace
from pooleye.errors import PooleyeError
from pooleye.phone import serving


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[int, Path, subprocess.Popen[bytes]]]:
    """A running `pooleye serve` on loopback: (port, what it printed, process)."""
    create_workspace(tmp_path / "log", Settings()).close()
    port, said = free_port(), tmp_path / "said"
    command = [sys.executable, "-m", "pooleye", "serve", "--port", str(port), "-w", str(tmp_path / "log")]
    with said.open("w") as out:
        process = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
    until = time.monotonic() + 60
    while "pairing code" not in said.read_text() and time.monotonic() < until:
        time.sleep(0.05)
    yield port, said, process
    process.kill()
    process.wait()


def test_it_prints_address_and_code_pairs_and_ends_cleanly(
    served: tuple[int, Path, subprocess.Popen[bytes]],
) -> None:
    port, said, process = served
    address = f"http://127.0.0.1:{port}"
    printed = said.read_text()
    assert f"pooleye is served at {address}/" in printed
    assert "Never leave a burning candle alone" in printed
    (code,) = re.findall(r"next phone: (\d{4} \d{4})", printed)
    done = httpx.post(f"{address}/pair", data={"code": code}, headers={"origin": address})
    assert done.status_code == 303
    page = httpx.get(address, headers={"cookie": done.headers["set-cookie"].partition(";")[0]})
    assert "No candle is alight" in page.text
    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 0
    assert "Traceback" not in said.read_text()
    assert "leaked" not in said.read_text()


def test_without_being_asked_it_listens_on_this_computer_alone(
    served: tuple[int, Path, subprocess.Popen[bytes]],
) -> None:
    port, _, process = served
    table = Path(f"/proc/{process.pid}/net/tcp")
    if not table.exists():
        pytest.skip("no /proc on this system")
    ends = [line.split()[1] for line in table.read_text().splitlines()[1:] if line.split()[3] == "0A"]
    ours = [end for end in ends if int(end.partition(":")[2], 16) == port]
    assert ours
    assert all(end.startswith("0100007F") for end in ours)


def test_a_port_that_is_taken_is_told_with_what_to_do() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(PooleyeError) as refused:
            serving.bind("127.0.0.1", other.getsockname()[1])
    assert refused.value.reference == "address-taken"
    assert "--port" in refused.value.hint


def test_the_qr_code_holds_the_address(capsys: pytest.CaptureFixture[str]) -> None:
    """Read back by another library (zxing)."""
    import numpy as np
    import zxingcpp

    serving.announce("http://192.0.2.7:8420/", network=True)
    drawn = [line for line in capsys.readouterr().out.splitlines() if set(line) <= set("█▄▀ ") and line]
    halves = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}
    rows = [[1 - halves[one][half] for one in line] for line in drawn for half in (0, 1)]
    picture = (np.kron(np.array(rows), np.ones((6, 6))) * 255).astype(np.uint8)
    assert [one.text for one in zxingcpp.read_barcodes(picture)] == ["http://192.0.2.7:8420/"]
