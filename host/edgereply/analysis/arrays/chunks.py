"""Long arrays chunk by chunk, a few chunks at a time.

What a step leaves behind is still in the processor's cache for the next, nothing as long as the array is made on the
way, and numpy lets other threads run while it works on a chunk. Much smaller pieces than these would only wait for the
interpreter.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

CHUNK = 1 << 16
MOST_THREADS = 8
# Fewer chunks are done before a thread has started.
FEWEST_SHARED = 8


def threads() -> int:
    """How many threads can run side by side, 1 to 8."""
    return min(MOST_THREADS, os.cpu_count() or 1)


def chunks(size: int, length: int = CHUNK) -> list[slice]:
    """Places 0 to size - 1 in slices of so many, the last one shorter."""
    return [slice(start, min(start + length, size)) for start in range(0, size, length)]


def chunkwise(work: Callable[[slice], Result], size: int, length: int = CHUNK) -> list[Result]:
    """Do it to each chunk of an array, those of a long one in a few threads.

    Args:
        work: given the chunk's slice; must not touch what another chunk's work writes.
        size: of the array.
        length: of a chunk.

    Returns:
        The results in order of the chunks.
    """
    parts = chunks(size, length)
    return [work(part) for part in parts] if len(parts) < FEWEST_SHARED else at_once(work, parts)


def at_once(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Do it to each of them in a few threads.

    Args:
        work: must not change what another item's work reads; worth a thread where numpy does nearly all of it.
        items: any number.

    Returns:
        The results in the order of the items.

    Raises:
        Exception: what the work of the first item that failed raised.
    """
    with ThreadPoolExecutor(threads()) as pool:
        return list(pool.map(work, items))


def both(first: Callable[[], Item], second: Callable[[], Result]) -> tuple[Item, Result]:
    """Do two things side by side; what either raises is raised, the first's before the second's."""
    with ThreadPoolExecutor(1) as pool:
        other = pool.submit(second)
        return first(), other.result()


def in_turn(work: Callable[[Item], Result], items: Sequence[Item]) -> Iterator[Result]:
    """Do it to each of them in a few threads that are no further ahead than the results are taken.

    Yields:
        The results in the order of the items.

    Raises:
        Exception: what the work of an item raised, when its turn comes.
    """
    if len(items) < 2:
        yield from map(work, items)
        return
    ahead = threads()
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(ahead) as pool:
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) > ahead:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
