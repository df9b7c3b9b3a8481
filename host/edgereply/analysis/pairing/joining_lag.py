"""Find which stretch of one edge train is which of the other, from the intervals alone.

Probes are short patterns of consecutive intervals. Each place in the other train with the same
pattern is a vote for an offset between the clocks. True votes lie on one slowly changing curve
(the clocks' drift is bounded); the longest such chain of votes wins, if no other comes near it.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Places
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.ranges import spread

ADVICE = "use random (exponential) arrivals, whose intervals tell the pulses apart"
PROBES = 240
PATTERN = 4
MOST_CANDIDATES = 1_500_000
MOST_VOTES = 40_000
# Tolerances tried, as fractions of the mean interval, the sharpest first.
SHARPNESS = (4096, 1024, 256, 64, 24)


@dataclass(frozen=True, slots=True)
class Chain:
    """Offsets found: at source time `at_ns` the board's clock is ahead by `offset_ns`."""

    at_ns: Int64s
    offset_ns: Int64s
    tolerance_ns: int


@dataclass(frozen=True, slots=True)
class Votes:
    """Probe time, offset voted for, and number of probes that could vote."""

    at_ns: Int64s
    offset_ns: Int64s
    probes: int


def _counted_within(intervals: Int64s, low: Int64s, high: Int64s) -> Int64s:
    """How many intervals lie within each of the bounds, both included; any shape."""
    cuts = np.unique(np.concatenate((low.ravel(), high.ravel() + 1)))
    cells = chunkwise(
        lambda part: np.bincount(np.searchsorted(cuts, intervals[part], side="right"), minlength=cuts.size + 1),
        intervals.size,
    )
    # How many are below each cut: the cells before it.
    below = np.cumsum(np.sum(cells, axis=0))
    return np.asarray(below[np.searchsorted(cuts, high + 1)] - below[np.searchsorted(cuts, low)], np.int64)


def _ranked_within(intervals: Int64s, low: Int64s, high: Int64s) -> Places:
    """Places of the intervals that lie within any of the bounds, by rising interval: cheaper than to rank them all."""
    # Cells between the bounds: an interval's cell says how many ranges it is in.
    cuts = np.concatenate((low, high + 1))
    order = np.argsort(cuts, kind="stable")
    inside = np.cumsum(np.concatenate(([0], np.where(order < low.size, 1, -1))))
    cuts, within = cuts[order], inside > 0
    kept = np.concatenate(
        chunkwise(
            lambda part: part.start + np.flatnonzero(within[np.searchsorted(cuts, intervals[part], side="right")]),
            intervals.size,
        )
    )
    return kept[np.argsort(intervals[kept], kind="stable")]


def collect_votes(stimulus: Int64s, edge: Int64s, tolerance_ns: int, drift_ppm: float) -> Votes | None:
    """Look up each probe's pattern among the edges.

    Returns:
        The votes, or None when the patterns are found nearly everywhere.
    """
    length = min(PATTERN, max(2, min(stimulus.size, edge.size) // 3))
    probe = np.unique(np.linspace(0, stimulus.size - 1 - length, PROBES).astype(np.int64))
    intervals = np.diff(edge)
    steps = np.arange(length)
    wanted = stimulus[probe[:, None] + steps + 1] - stimulus[probe[:, None] + steps]
    slack = tolerance_ns + (wanted * (drift_ppm * 1e-6)).astype(np.int64)
    count = _counted_within(intervals, wanted - slack, wanted + slack)
    rarest = count.argmin(axis=1)
    pick = np.arange(probe.size)
    if int(count[pick, rarest].sum()) > MOST_CANDIDATES:
        return None
    bounds = wanted[pick, rarest] - slack[pick, rarest], wanted[pick, rarest] + slack[pick, rarest]
    order = _ranked_within(intervals, *bounds)
    low = np.searchsorted(intervals[order], bounds[0], side="left")
    place, owner = spread(low, count[pick, rarest])
    first = order[place] - rarest[owner]
    kept = (first >= 0) & (first + length < edge.size)
    first, owner = first[kept], owner[kept]
    for step in range(1, length + 1):
        source = stimulus[probe[owner] + step] - stimulus[probe[owner]]
        error = np.abs(edge[first + step] - edge[first] - source)
        kept = error <= tolerance_ns + source * (drift_ppm * 1e-6)
        first, owner = first[kept], owner[kept]
    if first.size > MOST_VOTES:
        return None
    at = stimulus[probe[owner]]
    return Votes(at, edge[first] - at, int(probe.size))


def longest_chain(at: Int64s, offset: Int64s, slope: float) -> Places:
    """Indices of the most votes whose offsets change by less than `slope` ns per ns between any two.

    In the coordinates offset + slope * time and offset - slope * time the condition is an order, and
    the longest chain is a longest increasing subsequence.
    """
    if at.size == 0:
        return np.zeros(0, dtype=np.intp)
    time = (at - at.min()).astype(np.float64)
    level = (offset - offset.min()).astype(np.float64)
    rising, falling = level + slope * time, slope * time - level
    order = np.lexsort((-falling, rising))
    tails: list[float] = []
    ends: list[int] = []
    previous = np.full(at.size, -1, dtype=np.intp)
    for index, value in zip(order.tolist(), falling[order].tolist(), strict=True):
        length = bisect_left(tails, value)
        if length:
            previous[index] = ends[length - 1]
        if length == len(tails):
            tails.append(value)
            ends.append(index)
        else:
            tails[length] = value
            ends[length] = index
    chain = [ends[-1]]
    while previous[chain[-1]] >= 0:
        chain.append(int(previous[chain[-1]]))
    return np.array(chain[::-1], dtype=np.intp)


def find_chain(stimulus: Int64s, edge: Int64s, max_drift_ppm: float) -> tuple[Chain | None, str]:
    """Find the offset along the run.

    Args:
        stimulus: source clock, int64 ns, sorted.
        edge: board clock, int64 ns, sorted.
        max_drift_ppm: bound on the clocks' relative rate.

    Returns:
        The chain, or None and the reason.
    """
    span = int(stimulus[-1] - stimulus[0])
    mean = span / (stimulus.size - 1)
    reason = (
        "no stretch of the board's edges has the same intervals as the stimuli: are these the same run, and was the "
        "board free enough to stamp its edges steadily?"
    )
    for sharpness in SHARPNESS:
        tolerance = max(1, int(mean / sharpness))
        votes = collect_votes(stimulus, edge, tolerance, max_drift_ppm)
        if votes is None:
            reason = f"the intervals are too alike to tell one place from another; {ADVICE}"
            continue
        spacing = max(span / votes.probes, 1.0)
        slope = max_drift_ppm * 1e-6 + 2 * tolerance / spacing
        chain = longest_chain(votes.at_ns, votes.offset_ns, slope)
        if chain.size < max(3, votes.probes // 12):
            continue
        at, offset = votes.at_ns[chain], votes.offset_ns[chain]
        # The winner's own votes are left out, and what jitter puts beside them.
        apart = np.abs(votes.offset_ns - np.interp(votes.at_ns, at, offset - offset[0]) - offset[0])
        others = apart > max(8 * tolerance, mean / 8)
        rival = longest_chain(votes.at_ns[others], votes.offset_ns[others], slope)
        if 2 * rival.size <= chain.size:
            return Chain(at, offset, tolerance), ""
        reason = f"several offsets explain the intervals equally well; {ADVICE}"
    return None, reason
