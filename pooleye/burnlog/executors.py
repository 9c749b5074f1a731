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
from contextlib import contextmanager
from typing import Any, TypeVar
from urllib.parse import urlsplit

from pooleye.errors import PooleyeError

# How often a wait for workers looks up to see whether it should stop.
_LOOK_UP_S = 0.3
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
    # As many processes as cores are busy already: threads of the number libraries would only get in each other's way.
    # They read this when they are first imported, which is below.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    import cv2

    cv2.setNumThreads(1)


class OwnCores(Executor):
    """One process a core, begun anew when one of them dies, so that a photo that kills its reader costs only itself.

    Fresh processes (spawn): a fork would copy locks of threads that do not exist in it.
    """

    def __init__(self, workers: int) -> None:
        self._max_workers = workers
        self._pool = self._begin()

    def _begin(self) -> ProcessPoolExecutor:
        context = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self._max_workers, mp_context=context, initializer=_begin_worker)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        """As any executor; what was under way in the dead processes fails with BrokenExecutor."""
        try:
            return self._pool.submit(fn, *args, **more)
        except BrokenExecutor:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = self._begin()
            return self._pool.submit(fn, *args, **more)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """As any executor."""
        self._pool.shutdown(wait, cancel_futures=cancel_futures)


def own_cores(workers: int | None = None) -> OwnCores:
    """This computer's cores, or so many of them."""
    return OwnCores(workers or os.cpu_count() or 1)


class SchedulerWorkers(Executor):
    """The workers behind a Dask scheduler; shutting down also says goodbye to the scheduler."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._executor = client.get_executor()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **more: Any) -> Future[Any]:
        """As any executor."""
        future: Future[Any] = self._executor.submit(fn, *args, **more)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """As any executor; Dask's own has no cancelling, closing the client drops what is still to be done."""
        self._executor.shutdown(wait=wait and not cancel_futures)
        self._client.close()


def scheduler_workers(address: str, timeout_s: float = 10.0) -> SchedulerWorkers:
    """The workers behind a Dask scheduler. Raises PooleyeError when Dask is not installed or nobody answers."""
    try:
        from distributed import Client  # type: ignore[import-not-found, unused-ignore]
    except ImportError:
        text = "a scheduler's address needs the optional part “dask”"
        hint = "in pooleye's folder: pip install -e '.[dask]'; or leave --scheduler out"
        raise PooleyeError("dask-missing", text, hint=hint) from None
    where = urlsplit(address)
    try:
        # Knocking first: a client that finds nobody goes on trying in the background.
        socket.create_connection((where.hostname or "", where.port or 0), timeout=timeout_s).close()
        client: Any = Client
        return SchedulerWorkers(client(address, timeout=timeout_s))
    except (OSError, ValueError) as error:
        text = f"no scheduler answers at {address}: {error}"
        raise PooleyeError("no-scheduler", text, hint="for instance tcp://127.0.0.1:8786") from None


def _submitted(executor: Executor, work: Callable[[Item], Answer], item: Item) -> Future[Answer]:
    """The future of one item; of an executor whose workers died, one that says so."""
    try:
        return executor.submit(work, item)
    except BrokenExecutor as error:
        failed: Future[Answer] = Future()
        failed.set_exception(error)
        return failed


@contextmanager
def asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Within the block, a first Ctrl-C only asks: the function given says whether it did. A second one interrupts.

    An interruption that arrives inside a clean-up of the interpreter is dropped there; a question is not.
    """
    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    asked = threading.Event()

    def ask(_signal: int, _frame: object) -> None:
        if asked.is_set():
            raise KeyboardInterrupt
        asked.set()

    earlier = signal.signal(signal.SIGINT, ask)
    try:
        yield asked.is_set
    finally:
        signal.signal(signal.SIGINT, earlier)


def in_window(
    executor: Executor,
    work: Callable[[Item], Answer],
    items: Iterable[Item],
    window: int,
    stop: Callable[[], bool] = lambda: False,
) -> Iterator[tuple[Item, Future[Answer]]]:
    """Run ``work`` on each item, at most ``window`` at a time, and yield each as it ends, in any order.

    ``items`` is drawn as places fall free, so neither waiting items nor finished answers pile up in memory. Raises
    KeyboardInterrupt, between two items, once ``stop`` says so.
    """
    running: dict[Future[Answer], Item] = {}
    source = iter(items)
    while True:
        if stop():
            raise KeyboardInterrupt
        for item in source:
            running[_submitted(executor, work, item)] = item
            if len(running) >= window:
                break
        if not running:
            return
        done, _ = wait(running, timeout=_LOOK_UP_S, return_when=FIRST_COMPLETED)
        for future in done:
            yield running.pop(future), future


def window_of(executor: Executor) -> int:
    """How many items to have under way: two for each worker keep all busy."""
    workers: Any = getattr(executor, "_max_workers", None)
    return 2 * workers if isinstance(workers, int) else 32
