"""Join the pulse source's stimuli with the board's own edge stamps, pulse by pulse.

The two clocks share nothing: an offset of hours, a drift of hundreds of ppm. The intervals tell
which edge is which (`joining_lag`), then the offset is followed along the run (`joining_track`)
and each stimulus takes the nearest edge. Assumptions:

1. The clocks' relative rate stays within `max_drift_ppm`; their drift changes slowly.
2. The arrivals are irregular by much more than the jitter of the stamps. Where intervals do not
   decide between neighbouring lags (periodic arrivals) the whole join is refused.
3. Both trains are stamps of the same events but for edges missing on either side and extra ones.

An edge much later than the jitter explains is taken as a late stamp only where lost and extra edges
are too rare to look like it; else the stimulus is ambiguous. The fitted offset contains the mean
delay of the board's stamps, which cannot be told from the clocks' offset.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from edgereply.analysis.arrays.aliases import Floats, Int64s, Places, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.joining_lag import ADVICE, find_chain
from edgereply.analysis.pairing.joining_result import Join, JoinStatus
from edgereply.analysis.pairing.joining_track import CHUNK, Track, follow, nearest, padded_edges

FEWEST = 5
# Beyond this many standard deviations an edge is no ordinary stamp.
ORDINARY = 8.0
# Nor is one out of place that is off by less than this share of the mean interval, however quiet the rest: a lost edge
# and an extra one would have to meet there by chance.
NEAR = 1e-3
DOUBT = 0.01
MOST_COMPARED = 1 << 17


def _ordered(values: ArrayLike, name: str) -> tuple[Int64s, Places | None]:
    """The stamps sorted, and their order; None where they were sorted."""
    array = np.asarray(values)
    if array.ndim != 1:
        raise ValueError(f"{name} must have one dimension, got shape {array.shape}: pass a flat array of stamps")
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name} must be whole nanoseconds (int64), got {array.dtype}: convert the stamps first")
    array = array.astype(np.int64, copy=False)
    if not np.any(array[1:] < array[:-1]):
        return array, None
    order = np.argsort(array, kind="stable")
    return array[order], order


def join(stimulus_ns: ArrayLike, edge_ns: ArrayLike, max_drift_ppm: float = 250.0) -> Join:
    """Give each stimulus the board's edge stamp of the same pulse.

    Args:
        stimulus_ns: stimulus edges, source clock, int64 ns, any order.
        edge_ns: edges as the board stamped them, board clock, int64 ns, any order.
        max_drift_ppm: bound on the clocks' relative rate, both ways.

    Raises:
        ValueError: an array is not one-dimensional whole nanoseconds.
    """
    stimulus, stimulus_order = _ordered(stimulus_ns, "stimulus_ns")
    edge, edge_order = _ordered(edge_ns, "edge_ns")
    if stimulus.size == 0 or edge.size == 0:
        unseen = np.full(stimulus.size, JoinStatus.UNSEEN, dtype=np.uint8)
        nothing = np.full(stimulus.size, -1, dtype=np.int64)
        return Join(nothing, unseen, np.arange(edge.size), edge.size, None, None, None, "")
    if min(stimulus.size, edge.size) < FEWEST or stimulus[0] == stimulus[-1]:
        return _refused(stimulus.size, edge.size, f"fewer than {FEWEST} pulses on a side: too few to compare")
    chain, reason = find_chain(stimulus, edge, max_drift_ppm)
    if chain is None:
        return _refused(stimulus.size, edge.size, reason)
    track = follow(stimulus, edge, chain, max_drift_ppm)
    index, status = _match(stimulus, edge, track, (int(stimulus[-1]) - int(stimulus[0])) / (stimulus.size - 1))
    reason = _undecided(stimulus, edge, np.flatnonzero(status == JoinStatus.JOINED), index, track)
    if reason:
        return _refused(stimulus.size, edge.size, reason)
    return _result(stimulus, edge, index, status, track, (stimulus_order, edge_order))


def _refused(stimuli: int, edges: int, reason: str) -> Join:
    return Join(
        np.full(stimuli, -1, dtype=np.int64),
        np.full(stimuli, JoinStatus.AMBIGUOUS, dtype=np.uint8),
        np.zeros(0, dtype=np.int64),
        edges,
        None,
        None,
        None,
        reason,
    )


def _match(stimulus: Int64s, edge: Int64s, track: Track, mean_ns: float) -> tuple[Int64s, Uint8s]:
    """Mutual nearest neighbours within the tolerance, unless a second candidate is nearly as near."""
    sigma = track.sigma_ns
    ordinary = max(ORDINARY * sigma, NEAR * mean_ns, 2.0)
    late = max(ordinary, mean_ns / 8)
    margin = 4 * sigma
    target = np.empty(stimulus.size, dtype=np.int64)

    def expect(part: slice) -> None:
        # Board stamps less the base: small numbers, exact in float64.
        predicted = np.rint(track.predict(stimulus[part])).astype(np.int64)
        np.add(stimulus[part] + track.base_ns, predicted, out=target[part])

    chunkwise(expect, stimulus.size, CHUNK)
    edges, targets = padded_edges(edge), padded_edges(target)
    index = np.empty(target.size, dtype=np.int64)
    status = np.full(target.size, JoinStatus.UNSEEN, dtype=np.uint8)
    grey = np.zeros(target.size, dtype=np.bool_)

    def decide(part: slice) -> int:
        index[part], residual, second = nearest(target[part], edges)
        owner, _, rival_stimulus = nearest(edge[index[part]], targets)
        mutual = (
            (owner == np.arange(part.start, part.start + owner.size)) & (residual >= -ordinary) & (residual <= late)
        )
        distance = np.abs(residual)
        contested = (second <= ordinary) & (second - distance < margin)
        contested |= (rival_stimulus <= ordinary) & (rival_stimulus - distance < margin)
        near = distance <= ordinary
        status[part][mutual] = JoinStatus.JOINED
        status[part][near & contested] = JoinStatus.AMBIGUOUS
        # A stimulus that lost its nearest edge to another only just is as uncertain as the winner.
        grey[part] = mutual & ~near
        return int(np.count_nonzero(mutual & near))

    plain = sum(chunkwise(decide, target.size, CHUNK))
    count = int(np.count_nonzero(grey))
    if count:
        unseen = int(np.count_nonzero(status == JoinStatus.UNSEEN)) + count
        extra = edge.size - plain
        by_chance = unseen / target.size * extra * late / mean_ns
        if by_chance > DOUBT * count and count < unseen + extra:
            status[grey] = JoinStatus.AMBIGUOUS
    return index, status


def _undecided(stimulus: Int64s, edge: Int64s, joined: Places, index: Int64s, track: Track) -> str:
    """Refuse a join that a neighbouring lag would explain as well."""
    if joined.size < max(3, FEWEST - 1, min(stimulus.size, edge.size) // 4):
        return "too few of the stimuli find an edge at the offset the intervals suggest: many edges are missing or late"
    # Pairs of neighbours; of a long run so many, evenly spread, that their median is known well enough.
    first = np.arange(0, joined.size - 1, -(-joined.size // MOST_COMPARED))
    before, after = index[joined[first]], index[joined[first + 1]]
    interval = stimulus[joined[first + 1]] - stimulus[joined[first]]
    own = _scatter(edge[after] - edge[before] - interval)
    for shift in (-3, -2, -1, 1, 2, 3):
        # Joined edges rise with their stimuli: what is moved beyond an end is the first or the last of them.
        there = slice(int(np.searchsorted(before, -shift)), int(np.searchsorted(after, edge.size - shift)))
        if there.stop - there.start < 2:
            continue
        moved = edge[after[there] + shift] - edge[before[there] + shift]
        if _scatter(moved - interval[there]) < 6 * max(own, 1.0):
            return f"the intervals do not decide: shifted by {abs(shift)} pulses the edges fit about as well; {ADVICE}"
    return ""


def _scatter(change: Int64s) -> float:
    """Median change of the offset from pulse to pulse: small at the right lag, the intervals' spread else."""
    return float(np.median(np.abs(change, out=change), overwrite_input=True)) if change.size else 0.0


def _result(
    stimulus: Int64s,
    edge: Int64s,
    index: Int64s,
    status: Uint8s,
    track: Track,
    orders: tuple[Places | None, Places | None],
) -> Join:
    joined = status == JoinStatus.JOINED
    claimed = np.zeros(edge.size, dtype=np.bool_)
    claimed[index[joined | (status == JoinStatus.AMBIGUOUS)]] = True
    source = stimulus if joined.all() else stimulus[joined]
    left = (edge[index if joined.all() else index[joined]] - source - track.base_ns).astype(np.float64)
    time = (source - stimulus[0]).astype(np.float64)
    fitted = np.empty(source.size)

    def fit(part: slice) -> None:
        fitted[part] = track.predict(source[part])

    chunkwise(fit, source.size, CHUNK)
    left -= fitted
    slope, start = _least_squares(time, fitted)
    left -= np.median(left)
    residual = 1.4826 * float(np.median(np.abs(left, out=left), overwrite_input=True))
    partner = index
    partner[~joined] = -1
    extra = np.flatnonzero(~claimed)
    if orders[1] is not None:
        partner[joined] = orders[1][partner[joined]]
        extra = np.sort(orders[1][extra])
    if orders[0] is not None:
        back = np.argsort(orders[0])
        partner, status = partner[back], status[back]
    return Join(
        edge_index=partner,
        status=status,
        extra_index=extra,
        edges=edge.size,
        offset_ns=track.base_ns + round(start),
        drift_ppm=slope * 1e6,
        residual_ns=residual,
        reason="",
    )


def _least_squares(time: Floats, value: Floats) -> tuple[float, float]:
    """Slope and value at time zero of the straight line; overwrites the times."""
    centre, level = float(time.mean()), float(value.mean())
    time -= centre
    slope = float(time @ (value - level)) / max(float(time @ time), 1.0)
    return slope, level - slope * centre
