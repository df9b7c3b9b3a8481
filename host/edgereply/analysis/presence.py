"""The mark of a stamp that is not there, and the stamps that are."""

from __future__ import annotations

from itertools import accumulate
from typing import Final

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.chunks import CHUNK, chunkwise

NO_STAMP: Final = -(2**63)


def present(values_ns: NDArray[np.int64]) -> NDArray[np.int64]:
    """The values that exist.

    Args:
        values_ns: shape (n,), int64, `NO_STAMP` where there is none.

    Returns:
        Shape (at most n,), int64, in the same order; the same array where nothing is missing.
    """
    counts = chunkwise(lambda part: int(np.count_nonzero(values_ns[part] != NO_STAMP)), values_ns.size)
    ends = [0, *accumulate(counts)]
    if ends[-1] == values_ns.size:
        return values_ns
    found = np.empty(ends[-1], np.int64)

    def take(part: slice) -> None:
        chunk, number = values_ns[part], part.start // CHUNK
        found[ends[number] : ends[number + 1]] = chunk[chunk != NO_STAMP]

    chunkwise(take, values_ns.size)
    return found
