"""Work shared out to processes: the same results, the same errors, and nothing left behind."""

from __future__ import annotations

import os
import signal
import time
from functools import partial

import pytest

from edgereply.errors import DataError, HostError
from edgereply.system.workers import FEWEST_ITEMS, workers

MANY = range(FEWEST_ITEMS * 3)


def whose(number: int) -> tuple[int, int]:
    time.sleep(0.1)
    return number * number, os.getpid()


def refuse(number: int, where: str, here: int) -> int:
    time.sleep(0.05)
    if (os.getpid() == here) == (where == "here"):
        raise DataError("no such run", where=f"run {number}", remedy="look")
    return number


def die(number: int, here: int) -> int:
    time.sleep(0.05)
    if os.getpid() != here:
        os.kill(os.getpid(), signal.SIGKILL)
    return number


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one processor: there are no workers to test")
def test_much_work_is_shared_out_and_comes_back_in_order() -> None:
    with workers(len(MANY)) as each:
        done = each(whose, MANY)
        again = each(whose, [3])
    assert [square for square, _ in done] == [n * n for n in MANY]
    assert again[0][0] == 9
    assert len({pid for _, pid in done}) > 1


def test_little_work_is_done_here() -> None:
    with workers(FEWEST_ITEMS - 1) as each:
        assert each(whose, [1, 2]) == [(1, os.getpid()), (4, os.getpid())]


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one processor: there are no workers to test")
@pytest.mark.parametrize("where", ["here", "there"])
def test_an_error_comes_through_whole(where: str) -> None:
    with workers(len(MANY)) as each, pytest.raises(DataError) as caught:
        each(partial(refuse, where=where, here=os.getpid()), MANY)
    error = caught.value
    assert (error.message, error.where[:4], error.remedy) == ("no such run", "run ", "look")


@pytest.mark.skipif((os.cpu_count() or 1) < 2, reason="one processor: there are no workers to test")
def test_a_worker_that_is_killed_is_told() -> None:
    with pytest.raises(HostError, match="was killed"), workers(len(MANY)) as each:
        each(partial(die, here=os.getpid()), MANY)
