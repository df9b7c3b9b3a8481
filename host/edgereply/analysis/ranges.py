"""Many ranges of indices, one after another, as one array."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Int64 = NDArray[np.int64]


def spread(start: Int64, count: Int64) -> tuple[Int64, Int64]:
    """Write ranges out.

    Args:
        start: shape (k,), int64: where each begins.
        count: shape (k,), int64: indices in each, 0 or more.

    Returns:
        The indices of all ranges one after another, and for each index the number of its range.
    """
    owner = np.repeat(np.arange(start.size), count)
    first = np.cumsum(count) - count
    return np.arange(int(count.sum())) - first[owner] + start[owner], owner
