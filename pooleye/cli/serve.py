"""`pooleye serve`: the page for the phone at the bench."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from pooleye.cli.log_common import Folder, caution, opened

if TYPE_CHECKING:
    from pooleye.burnlog.store import Workspace


def register(app: typer.Typer) -> None:
    """Adds the command to the app."""
    app.command("serve")(serve)


def serve(
    network: Annotated[
        bool, typer.Option("--network", help="Also for phones in the same network; else this computer alone.")
    ] = False,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Port of the address.")] = 8420,
    address: Annotated[
        str | None, typer.Option(metavar="IP", help="This computer's address in the network; else found.")
    ] = None,
    read_only: Annotated[bool, typer.Option("--read-only", help="Show the log, change nothing.")] = False,
    forget: Annotated[bool, typer.Option("--forget", help="Unpair all phones first.")] = False,
    cores: Annotated[int | None, typer.Option(min=1, help="How many photos are measured at once; else half.")] = None,
    folder: Folder = None,
) -> None:
    """Serve the page for a phone at the bench; prints its address, QR code and pairing code.

    Traffic is not encrypted: use it in a network that you trust. Ctrl-C ends it.
    """
    with opened(folder, read_only=read_only) as workspace:
        caution()
        _run(workspace, network, port, address, read_only, forget, cores)


def _run(
    workspace: Workspace,
    network: bool,
    port: int,
    address: str | None,
    read_only: bool,
    forget: bool,
    cores: int | None,
) -> None:
    import signal
    import sys
    import tempfile
    from contextlib import suppress
    from pathlib import Path

    import uvicorn

    from pooleye.phone.serving import announce, application, bind, own_address, warm_up, workers

    network = network or address is not None
    shown = (address or own_address()) if network else "127.0.0.1"
    listener = bind((address or "0.0.0.0") if network else shown, port)
    with tempfile.TemporaryDirectory(prefix="pooleye-phone-") as scratch, workers(cores) as executor:
        warm_up()
        announce(f"http://{shown}:{port}/", network)
        app = application(workspace, Path(scratch), executor, shown, read_only=read_only, forget=forget)
        config = uvicorn.Config(
            app, log_level="warning", server_header=False, date_header=False, timeout_keep_alive=20,
            h11_max_incomplete_event_size=32_768, limit_concurrency=200, proxy_headers=False,
            timeout_graceful_shutdown=5,
        )  # fmt: skip
        # uvicorn passes the signal on when it has ended; the measuring processes and the folder go with this one
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
        with suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[listener])
