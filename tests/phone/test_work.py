"""Long work beside the page: so much of it at a time, and a picture that kills its reader costs only itself."""

from __future__ import annotations

import asyncio
import os
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from pooleye.burnlog.executors import own_cores
from pooleye.errors import PooleyeError
from pooleye.phone.work import Busy, Work


def dies() -> None:
    """As a decoder that a hostile picture crashes."""
    os._exit(11)


def fails() -> None:
    raise PooleyeError("no-such-thing", "there is no such thing", hint="try another")


def test_more_than_may_wait_is_told_to_come_again() -> None:
    go = threading.Event()

    async def crowd() -> None:
        with ThreadPoolExecutor(1) as executor:
            work = Work(executor, most=2)
            waiting = [asyncio.create_task(work.do(go.wait)) for _ in range(2)]
            await asyncio.sleep(0)
            with pytest.raises(Busy):
                await work.do(go.wait)
            go.set()
            assert await asyncio.gather(*waiting) == [True, True]
            assert await work.do(go.wait)

    asyncio.run(crowd())


def test_a_picture_that_kills_its_reader_is_told_and_the_next_one_is_read() -> None:
    async def one_after_the_other() -> None:
        executor = own_cores(1)
        try:
            work = Work(executor)
            with pytest.raises(PooleyeError) as died:
                await work.do(dies)
            assert died.value.reference == "reader-died"
            assert await work.do(len, "next") == 4
        finally:
            executor.shutdown()

    asyncio.run(one_after_the_other())


def test_what_a_job_refuses_comes_back_whole_from_another_process() -> None:
    async def ask() -> PooleyeError:
        executor = own_cores(1)
        try:
            with pytest.raises(PooleyeError) as refused:
                await Work(executor).do(fails)
            return refused.value
        finally:
            executor.shutdown()

    error = asyncio.run(ask())
    assert (error.reference, error.message, error.hint) == ("no-such-thing", "there is no such thing", "try another")
