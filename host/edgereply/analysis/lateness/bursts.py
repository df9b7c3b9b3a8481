"""Late answers that came all at once and not again: something happened to the board, once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s

_ALPHA = 0.001
# Late answers closer together than this fraction of their mean distance belong together.
_CLOSE = 0.05
_FEWEST = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Burst:
    """Late answers close together.

    Attributes:
        first: number of the first late stimulus.
        last: number of the last.
        start_ns: time of the first.
        length_ns: from the first to the last.
        late: late answers among them.
        chance: upper limit on the chance of any burst so dense in this run, were late answers independent.
    """

    first: int
    last: int
    start_ns: int
    length_ns: int
    late: int
    chance: float


def find_bursts(stimulus_ns: Int64s, late: Bools) -> tuple[Burst, ...]:
    """Find bursts among late answers.

    Distances are counted in stimuli, so gaps between stimuli do not matter. The usual distance is a
    median: a burst that holds most late answers does not hide itself.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        late: shape (n,), bool.

    Returns:
        Bursts in order of time.
    """
    places = np.flatnonzero(late)
    if places.size < _FEWEST:
        return ()
    found = []
    for start, end in _groups(places, late.size):
        count = end - start + 1
        width = int(places[end] - places[start]) + 1
        # Late answers outside the group say how dense they usually are; one more is allowed for.
        share = (places.size - count + 1) / (late.size - width + 1)
        chance = _chance(count, width, share, late.size)
        if count >= _FEWEST and chance <= _ALPHA:
            first, last = int(places[start]), int(places[end])
            found.append(
                Burst(
                    first=first,
                    last=last,
                    start_ns=int(stimulus_ns[first]),
                    length_ns=int(stimulus_ns[last] - stimulus_ns[first]),
                    late=count,
                    chance=chance,
                )
            )
    return tuple(found)


def _groups(places: Int64s, count: int) -> list[tuple[int, int]]:
    """Runs of late answers, first and last place in `places`, at several closenesses; the longest wins."""
    usual = count / places.size
    limits = sorted({max(1, math.floor(_CLOSE * usual)), 1, 2})
    taken = np.zeros(places.size, dtype=np.bool_)
    groups: list[tuple[int, int]] = []
    for limit in reversed(limits):
        breaks = np.flatnonzero(np.diff(places) > limit)
        starts = np.concatenate([[0], breaks + 1]).tolist()
        ends = np.concatenate([breaks, [places.size - 1]]).tolist()
        for start, end in zip(starts, ends, strict=True):
            if end - start + 1 >= _FEWEST and not taken[start : end + 1].any():
                taken[start : end + 1] = True
                groups.append((start, end))
    return sorted(groups)


def _chance(count: int, width: int, share: float, total: int) -> float:
    """Union bound over all places and widths: Boole's inequality on binomial tails (Chernoff)."""
    share = min(share, 1.0)
    density = count / width
    if density <= share:
        return 1.0
    divergence = density * math.log(density / share)
    if density < 1.0:
        divergence += (1.0 - density) * math.log((1.0 - density) / (1.0 - share))
    return min(1.0, total * width * math.exp(-width * divergence))
