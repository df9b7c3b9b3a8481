"""The same work on many runs, in a few processes.

An evaluation is thousands of short steps, between which threads only wait for the interpreter and for each other's
memory. Workers import what they need beside this process, leave Ctrl-C to it, and end with it however it ends.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from multiprocessing.connection import wait
from typing import Protocol, TypeVar

from edgereply.errors import HostError
from edgereply.system.interrupts import hold_back_interrupts, interrupts_deferred, let_through

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_WORKERS = 8
# Fewer are done before a worker has started.
FEWEST_ITEMS = 16
_IMPORTED = "edgereply.comparison.compare"


class Each(Protocol):
    """Does the same to each item; results come in the order of the items, and what the first that failed raised."""

    def __call__(self, work: Callable[[Item], Result], items: Sequence[Item], /) -> list[Result]: ...


def alone(work: Callable[[Item], Result], items: Sequence[Item], /) -> list[Result]:
    """One after another, in this process."""
    return [work(item) for item in items]


@contextmanager
def workers(items: int) -> Iterator[Each]:
    """Processes for work on so many items; none where the items are few or there is one processor.

    Args:
        items: that will be worked on.

    Yields:
        What does it. Work is a function of a module or a partial of one; items and results must be picklable.

    Raises:
        HostError: a worker was killed.
    """
    # This process works too.
    count = min(MOST_WORKERS, os.cpu_count() or 1) - 1
    if items < FEWEST_ITEMS or not count:
        yield alone
        return
    # Forked ones could inherit a lock that a thread holds, and a server that forks would leave a socket behind.
    pool = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), _begin)

    def each(work: Callable[[Item], Result], items: Sequence[Item], /) -> list[Result]:
        length = max(1, len(items) // (16 * count))
        left = deque(items[start : start + length] for start in range(0, len(items), length))
        front: list[Future[list[Result]]] = []
        back: list[Future[list[Result]]] = []
        while left:
            # Workers take from the front, and have a share waiting; this process takes from the back meanwhile.
            while left and sum(not share.done() for share in front) < 2 * count:
                front.append(pool.submit(alone, work, left.popleft()))
            if left:
                back.append(_here(work, left.pop()))
        return [result for share in (*front, *reversed(back)) for result in share.result()]

    try:
        _start(pool, count)
        yield each
    except BrokenProcessPool as error:
        raise HostError(
            "a process that evaluated runs was killed",
            remedy="try again with fewer runs at a time: memory may have run out",
        ) from error
    finally:
        pool.shutdown(cancel_futures=True)


def _here(work: Callable[[Item], Result], items: Sequence[Item]) -> Future[list[Result]]:
    done: Future[list[Result]] = Future()
    try:
        done.set_result(alone(work, items))
    except Exception as error:  # raised in its turn, as those of workers are
        done.set_exception(error)
    return done


def _start(pool: ProcessPoolExecutor, count: int) -> None:
    """Begin now, not with the first work. What they inherit holds Ctrl-C back until they have begun."""
    with interrupts_deferred():
        held = hold_back_interrupts()
        try:
            for _ in range(count):
                pool.submit(os.getpid)
        finally:
            let_through(held)


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()
    importlib.import_module(_IMPORTED)


def _end_with(sentinel: int) -> None:
    wait([sentinel])
    os._exit(1)
