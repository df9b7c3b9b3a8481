"""The same work on many things in a few threads: sorting, searching and reading let other threads run meanwhile."""

import os
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

MOST_THREADS = 8


def at_once(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Do it to each of them.

    Args:
        work: must not change what another item's work reads.
        items: any number.

    Returns:
        The results in the order of the items.

    Raises:
        Exception: what the work of the first item that failed raised.
    """
    with ThreadPoolExecutor(min(MOST_THREADS, os.cpu_count() or 1)) as pool:
        return list(pool.map(work, items))
