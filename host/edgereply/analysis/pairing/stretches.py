"""Cut a run where the pairing is certain, and settle the stretches between by counting.

Certain places are of two kinds: a run of answers in the usual range that chance cannot give, and a
gap between stimuli longer than the window, which no answer can cross. Nearly everything lies on
certain pairs; what is left are short stretches, most of which counting settles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s, Places
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.usual_reaction import Usual


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


@dataclass(frozen=True, slots=True)
class Anchors:
    """Candidate answers in the usual.

    Attributes:
        candidate: per stimulus, index of the first response at or after the usual range's begin.
        hit: the candidate lies in the usual.
        anchor: the pair is certain.
    """

    candidate: Int64s
    hit: Bools
    anchor: Bools


@dataclass(frozen=True, slots=True)
class Stretches:
    """Half-open index ranges of stimuli and of responses that are still open."""

    stimulus_start: Int64s
    stimulus_end: Int64s
    rise_start: Int64s
    rise_end: Int64s

    def where(self, chosen: Bools | Places) -> Stretches:
        """The chosen ones."""
        return Stretches(
            self.stimulus_start[chosen], self.stimulus_end[chosen], self.rise_start[chosen], self.rise_end[chosen]
        )

    def trimmed(self, stimulus_ns: Int64s, rise_ns: Int64s) -> Stretches:
        """Without the rises before each one's first stimulus: they answer nothing in it."""
        index = np.minimum(self.stimulus_start, stimulus_ns.size - 1)
        first = np.searchsorted(rise_ns, stimulus_ns[index], side="left")
        start = np.where(self.stimuli > 0, np.clip(first, self.rise_start, self.rise_end), self.rise_start)
        return Stretches(self.stimulus_start, self.stimulus_end, start, self.rise_end)

    @property
    def stimuli(self) -> Int64s:
        """Number of stimuli in each."""
        return self.stimulus_end - self.stimulus_start

    @property
    def rises(self) -> Int64s:
        """Number of responses in each."""
        return self.rise_end - self.rise_start


def no_anchors(stimuli: int) -> Anchors:
    """Nothing certain."""
    nothing = np.zeros(stimuli, dtype=np.bool_)
    return Anchors(np.zeros(stimuli, dtype=np.int64), nothing, nothing)


def find_anchors(stimulus_ns: Int64s, rise_ns: Int64s, usual: Usual) -> Anchors:
    """Mark the pairs that are certain: unique in the usual range both ways, in long enough a run."""
    candidate = np.empty(stimulus_ns.size, dtype=np.int64)
    hit = np.empty(stimulus_ns.size, dtype=np.bool_)

    def find(part: slice) -> None:
        first = np.searchsorted(rise_ns, stimulus_ns[part] + usual.low_ns, side="left")
        answer = rise_ns[np.minimum(first, rise_ns.size - 1)]
        hit[part] = (first < rise_ns.size) & (answer <= stimulus_ns[part] + usual.high_ns)
        candidate[part] = first

    chunkwise(find, stimulus_ns.size)
    solid = hit.copy()
    # The next stimulus must not claim the same response: it would have the same candidate. Another
    # response in the usual is a double when both follow the same stimulus, so it does not matter.
    shared = hit[1:] & hit[:-1] & (candidate[1:] == candidate[:-1])
    solid[1:] &= ~shared
    solid[:-1] &= ~shared
    return Anchors(candidate, hit, long_runs(solid, usual.run))


def long_runs(flag: Bools, least: int) -> Bools:
    """Mark the elements that belong to a run of at least so many True."""
    edges = np.diff(np.concatenate(([False], flag, [False])).view(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    short = ends - starts < least
    index, _ = spread(starts[short], (ends - starts)[short])
    kept = flag.copy()
    kept[index] = False
    return kept


def find_stretches(stimulus_ns: Int64s, rise_ns: Int64s, anchors: Anchors, window_ns: int) -> Stretches:
    """List what lies between the certain places, empty stretches left out."""
    both = anchors.anchor[1:] & anchors.anchor[:-1]
    # Nothing lies between two pairs that follow each other; of a run of such pairs the first and the last are enough.
    plain = np.empty(both.size, dtype=np.bool_)

    def follow(part: slice) -> None:
        plain[part] = both[part] & (np.diff(anchors.candidate[part.start : part.stop + 1]) == 1)

    chunkwise(follow, both.size)
    first = anchors.anchor.copy()
    first[1:] &= ~plain
    last = anchors.anchor.copy()
    last[:-1] &= ~plain
    anchor = np.flatnonzero(first | last)
    cut = np.flatnonzero(~both)
    cut = cut[stimulus_ns[cut + 1] - stimulus_ns[cut] > window_ns] + 1
    # Rises before the first stimulus, and later than the window after the last one before a gap,
    # are in no stretch: they answer nothing.
    ends = np.append(cut, stimulus_ns.size)
    starts = np.concatenate(([0], cut))
    too_late = np.searchsorted(rise_ns, stimulus_ns[ends - 1] + window_ns, side="right")
    reopened = np.searchsorted(rise_ns, stimulus_ns[starts], side="left")
    end = np.concatenate((anchor, ends))
    start = np.concatenate(([0], anchor + 1, cut))
    open_before = np.concatenate((first[anchor], np.ones(ends.size, dtype=np.bool_)))
    end_rise = np.concatenate((anchors.candidate[anchor], too_late))
    start_rise = np.concatenate((reopened[:1], anchors.candidate[anchor] + 1, reopened[1:]))
    if cut.size:
        # A cut before stimulus i comes before the pair i, and after the pair i - 1.
        order = np.argsort(2 * end + _is_anchor(anchor.size, cut.size), kind="stable")
        end, end_rise, open_before = end[order], end_rise[order], open_before[order]
        following = np.concatenate(([0], order[:-1] + 1))
        start, start_rise = start[following], start_rise[following]
    stretches = Stretches(start, end, start_rise, end_rise)
    return stretches.where(open_before & ((stretches.stimuli > 0) | (stretches.rises > 0)))


def _is_anchor(anchors: int, cuts: int) -> Int64s:
    return np.concatenate((np.ones(anchors, dtype=np.int64), np.zeros(cuts, dtype=np.int64), [2]))


def balanced(
    stretches: Stretches, stimulus_ns: Int64s, rise_ns: Int64s, anchors: Anchors, usual: Usual | None, window_ns: int
) -> Bools:
    """Stretches with as many responses as stimuli, where first-in first-out is the plain reading.

    It must be possible for each pair, and no stimulus may have an answer in the usual range that
    this reading gives away; in a long backlog a few such are there by chance, and the answers then
    follow each other at the board's usual pace.
    """
    equal = np.flatnonzero(stretches.stimuli == stretches.rises)
    chosen = np.zeros(stretches.stimulus_start.size, dtype=np.bool_)
    if equal.size == 0:
        return chosen
    stimulus, owner = spread(stretches.stimulus_start[equal], stretches.stimuli[equal])
    rise = stimulus - stretches.stimulus_start[equal][owner] + stretches.rise_start[equal][owner]
    reaction = rise_ns[rise] - stimulus_ns[stimulus]
    impossible = (reaction < 0) | (reaction > window_ns)
    contrary = anchors.hit[stimulus] & (anchors.candidate[stimulus] != rise)
    accepted = _per_stretch(impossible, owner, equal.size) == 0
    contrary_count = _per_stretch(contrary, owner, equal.size)
    few = contrary_count == 0
    if usual is not None:
        service = np.minimum(reaction, rise_ns[rise] - rise_ns[np.maximum(rise - 1, 0)])
        slow = _per_stretch(service > usual.high_ns, owner, equal.size)
        size = stretches.stimuli[equal]
        few |= (size >= 8) & (contrary_count <= 3 + 4 * usual.chance * size) & (slow <= 0.1 * size)
    chosen[equal] = accepted & few
    return chosen


def _per_stretch(flag: Bools, owner: Int64s, count: int) -> Floats:
    return np.asarray(np.bincount(owner, weights=flag, minlength=count), dtype=np.float64)


def complementary(stretches: Stretches, stimulus_ns: Int64s, rise_ns: Int64s, run: int, window_ns: int) -> Bools:
    """Neighbours, few certain pairs apart, where the first lacks responses and the second has too many.

    The pairs between may be chance hits inside one burst of late answers.
    """
    lacking = stretches.stimuli - stretches.rises
    marked = np.zeros(lacking.size, dtype=np.bool_)
    if lacking.size < 2:
        return marked
    last = stimulus_ns[np.maximum(stretches.stimulus_end[:-1] - 1, 0)]
    next_rise = rise_ns[np.minimum(stretches.rise_start[1:], rise_ns.size - 1)]
    both = (lacking[:-1] > 0) & (lacking[1:] < 0) & (next_rise - last <= window_ns)
    both &= stretches.stimulus_start[1:] - stretches.stimulus_end[:-1] <= run
    marked[:-1] |= both
    marked[1:] |= both
    return marked
