"""Many ranges of indices, one after another, as one array."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s


def spread(start: Int64s, count: Int64s) -> tuple[Int64s, Int64s]:
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
