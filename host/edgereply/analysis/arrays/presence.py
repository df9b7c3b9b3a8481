"""The mark of a stamp that is not there, and the stamps that are."""

from __future__ import annotations

from collections.abc import Callable
from itertools import accumulate
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.chunks import CHUNK, chunkwise

NO_STAMP: Final = -(2**63)


def present(values_ns: Int64s) -> Int64s:
    """The values that exist.

    Args:
        values_ns: shape (n,), int64, `NO_STAMP` where there is none.

    Returns:
        Shape (at most n,), int64, in the same order; the same array where nothing is missing.
    """
    counts = chunkwise(lambda part: int(np.count_nonzero(values_ns[part] != NO_STAMP)), values_ns.size)
    if sum(counts) == values_ns.size:
        return values_ns

    def there(part: slice) -> Int64s:
        chunk = values_ns[part]
        return np.asarray(chunk[chunk != NO_STAMP])

    return put_together(there, counts, values_ns.size)


def put_together(values: Callable[[slice], Int64s], counts: list[int], size: int) -> Int64s:
    """What each chunk gives, one after another, made in its place.

    Args:
        values: of a chunk's slice, int64.
        counts: how many each chunk gives.
        size: of the array that is cut into chunks.
    """
    ends = [0, *accumulate(counts)]
    found = np.empty(ends[-1], np.int64)

    def put(part: slice) -> None:
        number = part.start // CHUNK
        found[ends[number] : ends[number + 1]] = values(part)

    chunkwise(put, size)
    return found


def difference(later: Int64s, earlier: Int64s, only: Bools | None = None) -> Int64s:
    """Later minus earlier, `NO_STAMP` where one of them is missing, or where it is none of `only`."""
    result = np.empty(len(later), np.int64)

    def subtract(part: slice) -> None:
        missing = (later[part] == NO_STAMP) | (earlier[part] == NO_STAMP)
        if only is not None:
            missing |= ~only[part]
        np.subtract(later[part], earlier[part], out=result[part])
        result[part][missing] = NO_STAMP

    chunkwise(subtract, len(later))
    return result
