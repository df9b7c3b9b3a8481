"""Tell stimuli that shared a neighbour's response from missed ones.

A stimulus is a candidate when its neighbour came sooner than an answer could be expected, with no
response between: the board may have seen both as one. A board that answers such close stimuli one by
one (a queue, a fixed delay of several intervals) does not merge them, so the run itself is asked: for
stimuli that close or closer, shared answers must be at least as frequent as separate ones.
"""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.chunks import chunkwise


def usual_reaction(stimulus: Int64s, rise: Int64s, partner: Int64s, otherwise_ns: int) -> int:
    """Median reaction of a sample of the pairs; `otherwise_ns` where there is none."""
    paired = np.flatnonzero(partner >= 0)
    sample = paired[:: max(1, paired.size // 4096)]
    return int(np.median(rise[partner[sample]] - stimulus[sample])) if sample.size else otherwise_ns


def shares_answer(stimulus: Int64s, rise: Int64s, partner: Int64s, typical_ns: int) -> Bools:
    """Mark the stimuli that may share one answer with the stimulus before.

    Args:
        stimulus, rise: edges, int64 ns, sorted.
        partner: per stimulus: index of its rise, -1 for none, less for unknown.
        typical_ns: the usual reaction time.
    """
    close = np.zeros(stimulus.size, dtype=np.bool_)
    found = chunkwise(
        lambda part: part.start + np.flatnonzero(np.diff(stimulus[part.start : part.stop + 1]) < typical_ns),
        stimulus.size,
    )
    index = np.concatenate(found)
    earlier = np.searchsorted(rise, stimulus[index], side="left")
    index = index[earlier == np.searchsorted(rise, stimulus[index + 1], side="left")]
    index = index[np.argsort(stimulus[index + 1] - stimulus[index], kind="stable")]
    first, second = partner[index], partner[index + 1]
    separate = np.cumsum((first >= 0) & (second >= 0))
    shared = np.cumsum(((first >= 0) & (second == -1)) | ((first == -1) & (second >= 0)))
    close[index[shared >= separate] + 1] = True
    return close


def coalesced(stimulus: Int64s, rise: Int64s, partner: Int64s) -> Bools:
    """Mark the unanswered stimuli that one response served together with a neighbour; arguments as above."""
    shared = np.zeros(stimulus.size, dtype=np.bool_)
    if not np.any(partner >= 0) or not np.any(partner == -1):
        return shared
    close = shares_answer(stimulus, rise, partner, usual_reaction(stimulus, rise, partner, 0))
    # Only where neighbours are close can one answer have served several.
    member = close.copy()
    member[:-1] |= close[1:]
    index = np.flatnonzero(member)
    group = np.cumsum(~close[index])
    served = np.zeros(index.size + 1, dtype=np.bool_)
    served[group[partner[index] >= 0]] = True
    shared[index] = (partner[index] == -1) & served[group]
    return shared
