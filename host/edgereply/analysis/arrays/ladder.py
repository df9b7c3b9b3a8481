"""The gaps of pairs: a ladder of steps, four to an octave, that who emits them and who judges them share."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s


def ladder(shortest: int, longest: int) -> Int64s:
    """The gaps of pairs, from the shortest on.

    Args:
        shortest, longest: in ticks, or ns; at least 1.

    Returns:
        int64[n], rising, all the steps up to the longest; step k is shortest · 2^(k // 4) · (1 + (k mod 4) / 4),
        rounded down.
    """
    steps: list[int] = []
    while (gap := _step(shortest, len(steps))) <= longest:
        steps.append(gap)
    return np.array(steps, dtype=np.int64)


def _step(shortest: int, number: int) -> int:
    octave = shortest << (number >> 2)
    return octave + ((octave * (number & 3)) >> 2)
