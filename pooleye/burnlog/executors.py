"""Where photos are measured: this computer's cores, or a scheduler's workers; any ``concurrent.futures`` executor."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import socket
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from typing import Any, TypeVar
from urllib.parse import urlsplit

from pooleye.errors import PooleyeError

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def _end_with_parent() -> None:
    """A worker whose parent was killed ends at once, instead of waiting for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    multiprocessing.connection.wait([parent.sentinel])
    os._exit(1)


def _begin_worker() -> None:
    # Ctrl-C reaches every process of the terminal: the parent alone decides what is still finished.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    import cv2

    cv2.setNumThreads(1)


def own_cores(workers: int | None = None) -> ProcessPoolExecutor:
    """One process a core. Fresh processes (spawn): a fork would copy locks of threads that do not exist in it."""
    context = multiprocessing.get_context("spawn")
    return ProcessPoolExecutor(workers or os.cpu_count() or 1, mp_context=context, initializer=_begin_worker)


def scheduler_workers(address: str, timeout_s: float = 10.0) -> Executor:
    """The workers behind a Dask scheduler. Raises PooleyeError when Dask is not installed or nobody answers."""
    try:
        from distributed import Client  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        text = "a scheduler's address needs the optional part “dask”"
        raise PooleyeError("dask-missing", text, hint='pip install "pooleye[dask]", or leave --scheduler out') from None
    where = urlsplit(address)
    try:
        # Knocking first: a client that finds nobody goes on trying in the background.
        socket.create_connection((where.hostname or "", where.port or 0), timeout=timeout_s).close()
        client: Any = Client
        executor: Executor = client(address, timeout=timeout_s).get_executor()
    except (OSError, ValueError) as error:
        text = f"no scheduler answers at {address}: {error}"
        raise PooleyeError("no-scheduler", text, hint="for instance tcp://127.0.0.1:8786") from None
    return executor


def _submitted(executor: Executor, work: Callable[[Item], Answer], item: Item) -> Future[Answer]:
    """The future of one item; of an executor whose workers died, one that says so."""
    try:
        return executor.submit(work, item)
    except BrokenExecutor as error:
        failed: Future[Answer] = Future()
        failed.set_exception(error)
        return failed


def in_window(
    executor: Executor, work: Callable[[Item], Answer], items: Iterable[Item], window: int
) -> Iterator[tuple[Item, Future[Answer]]]:
    """Run ``work`` on each item, at most ``window`` at a time, and yield each as it ends, in any order.

    ``items`` is drawn as places fall free, so neither waiting items nor finished answers pile up in memory.
    """
    running: dict[Future[Answer], Item] = {}
    source = iter(items)
    while True:
        for item in source:
            running[_submitted(executor, work, item)] = item
            if len(running) >= window:
                break
        if not running:
            return
        done, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in done:
            yield running.pop(future), future


def window_of(executor: Executor) -> int:
    """How many items to have under way: two for each worker keep all busy."""
    workers: Any = getattr(executor, "_max_workers", None)
    return 2 * workers if isinstance(workers, int) else 32
