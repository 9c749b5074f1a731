"""Starting the page: the address to listen on, what is printed, the processes that measure."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager, suppress
from pathlib import Path

from pooleye.burnlog.executors import own_cores
from pooleye.burnlog.store import Workspace
from pooleye.errors import PooleyeError
from pooleye.phone import work
from pooleye.phone.app import create_app
from pooleye.phone.guard import Guard
from pooleye.phone.pairing import FILE_NAME, Pairing


def own_address() -> str:
    """This computer's address in its network: the one it would use to reach others. Nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 of RFC 5737: an address that belongs to nobody
            return str(probe.getsockname()[0])
        except OSError:
            raise PooleyeError(
                "no-network", "this computer is in no network", hint="connect it, or name its address: --address IP"
            ) from None


def own_names() -> list[str]:
    """Every name and address under which this computer may be called, in small letters."""
    name = socket.gethostname().lower()
    found = ["127.0.0.1", "localhost", "[::1]", name, f"{name}.local"]
    with suppress(OSError):
        found += [str(one[4][0]) for one in socket.getaddrinfo(name, None, socket.AF_INET)]
    return found


def bind(host: str, port: int) -> socket.socket:
    """A socket that listens there. Raises PooleyeError where the port is taken or the address is another's."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":  # there it would let two programs share the port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        text = f"the page cannot be served at {host}:{port}: {error.strerror}"
        raise PooleyeError("address-taken", text, hint="choose another port: --port 8421") from None
    listener.listen(128)
    return listener


@contextmanager
def workers(cores: int | None) -> Iterator[Executor]:
    """Processes that measure, begun and warm; half of the cores, so that the page itself stays quick."""
    count = cores or max(1, (os.cpu_count() or 2) // 2)
    executor = own_cores(count)
    for _ in range(count):
        executor.submit(work.begin)
    try:
        yield executor
    finally:
        executor.shutdown(wait=False, cancel_futures=True)


def warm_up() -> None:
    """Load, beside the first requests, what the first note and the first verdict would wait for."""

    def load() -> None:
        from pooleye.audit.reading import read_note
        from pooleye.judge.criteria import shipped

        read_note("flame stedy, no soot")
        shipped()

    threading.Thread(target=load, daemon=True).start()


def announce(address: str, network: bool) -> None:
    """Print the address and its QR code."""
    import segno

    print(f"pooleye is served at {address}")
    if network:
        segno.make(address, micro=False).terminal(compact=True)
    else:
        print("only on this computer; for phones in the same network: pooleye serve --network")


def show_code(code: str) -> None:
    """Print a pairing code, in two halves as it is easily read out."""
    print(f"pairing code for the next phone: {code[:4]} {code[4:]}", flush=True)


def application(
    workspace: Workspace, scratch: Path, executor: Executor, host: str, *, read_only: bool = False, forget: bool = False
) -> Guard:
    """The page with its paired phones, which a log that cannot be written forgets at the end."""
    kept = None if workspace.read_only else workspace.root / FILE_NAME
    pairing = Pairing(kept, show_code)
    if forget:
        pairing.forget_all()
    return create_app(workspace, pairing, executor, scratch, hosts=(host.lower(), *own_names()), read_only=read_only)
