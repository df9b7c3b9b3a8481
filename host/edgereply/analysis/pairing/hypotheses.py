"""Which pulse of one train may be which of the other: pairs from which an alignment is tried.

Three kinds of hint, the cheapest first:

1. Counts: the first stamps of both trains are the same pulse, or the last, or some few were lost before.
2. Telling patterns: stretches of intervals that are the least likely in the distribution of the train's own intervals,
   one from each part of the run, looked up in the other train. Where nearly all intervals are alike, as those of a
   starved sender, evenly spread patterns say nothing and the few odd ones everything.
3. Cross-correlation of both trains, counted into bins: where so much is lost or added that no pattern is whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.compiled import fast_length, irfft, rfft

Pairs = list[tuple[int, int]]

# Lost at the beginning or the end, on either side, without more ado.
FEW = 4
# Intervals in a pattern: two lengths at random take 20 to be told among a million.
PATTERN = 24
# Parts of the run that give a pattern each; with 6 in 100 pulses lost or added one in five patterns is whole.
PARTS = 24
# Pulses of each part that are looked through.
LONGEST = 1 << 15
MOST_FOUND = 64
# A pattern of which more than this share of the intervals is lost or added is not found.
BINS = 1 << 20
PEAKS = 8
COMMONNESS = 4096


def by_count(stimuli: int, edges: int) -> Pairs:
    """Pairs of the first stamps and of the last, and of those a few further on."""
    pairs = [(0, 0)]
    for few in range(1, FEW):
        pairs += [(few, 0), (0, few)]
    last = [(stimuli - 1 - i, edges - 1 - j) for i, j in pairs]
    return [(i, j) for i, j in [*pairs, *last] if 0 <= i < stimuli and 0 <= j < edges]


def by_patterns(stimulus: Int64s, edge: Int64s, tolerance_ns: float, drift: float) -> Iterator[tuple[int, int]]:
    """Pairs where a telling pattern of the shorter train stands in the longer one.

    Args:
        stimulus, edge: both trains, int64 ns, sorted.
        tolerance_ns: how far an interval may differ.
        drift: bound on the clocks' relative rate, a fraction.
    """
    swapped = edge.size < stimulus.size
    short, long = (edge, stimulus) if swapped else (stimulus, edge)
    length = min(PATTERN, max(2, short.size // 3))
    for start in telling_patterns(short, tolerance_ns, length):
        for found, middle in occurrences(short[start : start + length + 1], long, tolerance_ns, drift):
            yield (found, start + middle) if swapped else (start + middle, found)


def telling_patterns(train: Int64s, tolerance_ns: float, length: int) -> list[int]:
    """First pulse of the stretch that is least likely, of each part of a train, the most telling first.

    Args:
        train: int64 ns, sorted, more than `length` pulses.
        tolerance_ns: intervals that differ by less count as alike.
        length: intervals in a stretch.
    """
    width = max(1, int(2 * tolerance_ns))
    most = 1 << 16
    cells = np.zeros(most, np.int64)
    starts = np.linspace(0, train.size - 1, max(1, min(PARTS, (train.size - 1) // length)) + 1).astype(np.int64)
    parts = [(first, min(last, first + LONGEST)) for first, last in pairwise(starts.tolist())]
    seen = sum(last - first for first, last in parts)
    for first, last in parts:
        cells += np.bincount(_cell(train[first : last + 1], width, most), minlength=most)
    # An interval at the border of two cells is as common as both.
    common = cells + np.concatenate((cells[1:], [0])) + np.concatenate(([0], cells[:-1]))
    telling = -np.log(np.maximum(common, 1) / seen)
    found = []
    for first, last in parts:
        said = np.cumsum(np.concatenate(([0.0], telling[_cell(train[first : last + 1], width, most)])))
        if said.size > length:
            sums = said[length:] - said[:-length]
            found.append((float(sums.max()), first + int(sums.argmax())))
    return [start for _, start in sorted(found, reverse=True)]


def _cell(train: Int64s, width: int, most: int) -> Int64s:
    return np.asarray(np.minimum(np.diff(train) // width, most - 1), np.int64)


def occurrences(pattern: Int64s, train: Int64s, tolerance_ns: float, drift: float) -> Pairs:
    """Where the intervals of a pattern stand in a train, up to `MOST_FOUND` places.

    The interval that fewest of the train's are like is looked up, and the places sieved by the others, the nearest
    first; a pattern of which a part is lost is found by the half that is whole.

    Returns:
        Index in the train, and in the pattern, of one pulse of each place.
    """
    wanted = np.diff(pattern)
    sample = np.diff(train[: COMMONNESS + 1])
    slack = (tolerance_ns + wanted * drift).astype(np.int64) + 1
    alike = np.abs(sample[None, :] - wanted[:, None]) <= slack[:, None]
    # Of those alike rare in the sample, the longest: long intervals are the rarest of random ones.
    rarest = int(np.lexsort((-wanted, alike.sum(axis=1)))[0])
    low, high = wanted[rarest] - slack[rarest], wanted[rarest] + slack[rarest]
    places = [np.empty(0, np.int64)]
    for start in range(0, train.size - 1, 1 << 18):
        interval = np.diff(train[start : start + (1 << 18) + 1])
        places.append(start + np.flatnonzero((interval >= low) & (interval <= high)))
    place = np.concatenate(places)
    last = train.size - 1
    fits = np.zeros(place.size, np.int64)
    alive = np.ones(place.size, np.bool_)
    order = sorted((k for k in range(pattern.size) if k not in (rarest, rarest + 1)), key=lambda k: abs(k - rarest))
    for k in order:
        index = place + (k - rarest)
        inside = (index >= 0) & (index <= last)
        own = int(pattern[k] - pattern[rarest])
        off = np.abs(train[np.clip(index, 0, last)] - train[place] - own)
        hit = inside & (off <= tolerance_ns + abs(own) * drift + 1)
        fits += hit
        alive &= hit | (fits >= pattern.size // 2)
        if np.count_nonzero(alive) > MOST_FOUND or place.size > 8 * MOST_FOUND:
            place, fits, alive = place[alive], fits[alive], alive[alive]
    place, fits = place[alive], fits[alive]
    best = np.argsort(-fits, kind="stable")[:MOST_FOUND]
    return [(int(place[index]), rarest) for index in best if fits[index] >= min(2, pattern.size - 2)]


def by_correlation(stimulus: Int64s, edge: Int64s, drift: float) -> Iterator[tuple[int, int]]:
    """Pairs at the highest peaks of the cross-correlation of the trains, three parts of one with all of the other.

    Args:
        stimulus, edge: both trains, int64 ns, sorted.
        drift: bound on the clocks' relative rate, a fraction: it smears the peaks, and so bounds a part's length.
    """
    width = max(1, int(np.median(np.diff(stimulus[: 1 << 16])) / 16))
    # Over so many bins the drift moves a pulse by no more than one.
    length = int(min(BINS, 1 / max(drift, 1e-6))) * width
    other = edge[: int(np.searchsorted(edge, edge[0] + BINS * width))]
    for share in (0.1, 0.5, 0.9):
        first = int(stimulus.size * share)
        chosen = stimulus[first : int(np.searchsorted(stimulus, stimulus[first] + length))]
        if chosen.size >= 4:
            yield from _peaks(chosen, other, first, width)


def _peaks(chosen: Int64s, other: Int64s, first: int, width: int) -> Pairs:
    one, two = (_binned(train, width) for train in (chosen, other))
    size = fast_length(one.size + two.size)
    height = irfft(np.conj(rfft(one, size)) * rfft(two, size), size)
    pairs: Pairs = []
    for lag in np.argsort(-height)[:PEAKS].tolist():
        offset = int(other[0]) - int(chosen[0]) + (lag - size if lag > two.size else lag) * width
        at = np.minimum(np.searchsorted(other, chosen + (offset - width)), other.size - 1)
        gap = np.abs(other[at] - chosen - offset)
        pairs += [(first + int(k), int(at[k])) for k in np.argsort(gap, kind="stable")[:3]]
    return pairs


def _binned(train: Int64s, width: int) -> Floats:
    counted = np.bincount((train - train[0]) // width).astype(np.float64)
    # Pulses at the border of two bins count in both.
    return np.asarray(counted + np.concatenate(([0.0], counted[:-1])) - 2 * counted.mean(), np.float64)
