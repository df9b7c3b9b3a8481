"""Which response answers which stimulus, where the board's rows say so.

A row of the board tells which edge it answered and when its output was set. Aligned with the stimuli (`alignment`), it
says when the response must rise on the source's clock, to within some microseconds: rows and rises are matched by that
(`matching`), however late, queued or beyond the window the answer is. Order, window and usual reaction matter only for
what no row speaks of:

- A single stimulus without a row, between others that have one: the board has not seen it, or the row was lost. The
  board answers in order, so its response lies between those of its neighbours; where there is a rise that is no row's,
  the usual reaction decides.
- A stretch without rows, as the end of a run that was cut off: the method of one clock (`one_clock`), with the usual
  reaction that the certain pairs have taught.

A stimulus without a response that was not watched for a whole window is unobserved, not missed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.alignment import Alignment, AlignStatus
from edgereply.analysis.pairing.clock import MAD_TO_SIGMA, NORMAL_90, Clock
from edgereply.analysis.pairing.matching import CHUNK, Match, match
from edgereply.analysis.pairing.one_clock import coalesced, match_by_usual
from edgereply.analysis.pairing.posterior import MISSED_INDEX, UNCERTAIN_INDEX
from edgereply.analysis.pairing.residual_likelihood import HELD_UP_NS, Reach
from edgereply.analysis.pairing.result import Pairing, Rise, Status, assemble
from edgereply.analysis.pairing.usual_reaction import Usual

# Rows that tell the delay from set to rise.
SAMPLE = 1 << 16
# Between two stimuli, so many rows in a row without a stimulus are a stretch that the source has lost.
STRETCH = 8
FEWEST = 8
MARGIN = 14.0
# Of the certain pairs, so many are the usual ones.
USUAL = (0.005, 0.995)


# Beside MISSED_INDEX and UNCERTAIN_INDEX: the row's response would have come after the end of the record.
_BEYOND = -3
# Beside the kinds of `Rise`: the response of a row, which no other stimulus can have.
_TAKEN = 9


@dataclass(slots=True)
class _Found:
    """What is known so far: per stimulus the rise (or MISSED_INDEX, UNCERTAIN_INDEX), per rise its `Rise`."""

    partner: Int64s
    kind: Uint8s


def pair_by_rows(
    edges: tuple[Int64s, Int64s, Int64s],
    window_ns: int,
    alignment: Alignment,
    set_ns: Int64s,
    watched_to_ns: int | None = None,
) -> Pairing | None:
    """Pair stimuli and responses of a run whose board's rows are aligned with the stimuli.

    Args:
        edges: stimuli, rises and falls of the source's clock, int64 ns, each sorted.
        window_ns: where no row speaks, an answer comes at most this long after its stimulus.
        alignment: of the stimuli with the rows' edges.
        set_ns: shape (rows,), int64, board clock: when the output was set, `NO_STAMP` where it was not.
        watched_to_ns: when the source's record ends; None where it goes on for a window after the last stimulus.

    Returns:
        None where there is no alignment, or the rows do not foretell the rises.
    """
    stimulus, rise, fall = edges
    expected = _expected(rise, alignment, set_ns)
    if expected is None:
        return None
    rows, at, sigma = expected
    # A source whose own stamps wait for a crowded computer is late by up to an interval between slow stimuli.
    reach = max(HELD_UP_NS, int(at[-1] - at[0]) // max(1, at.size - 1))
    found = match(at, rise, sigma, Reach(reach, reach))
    of_row = np.full(set_ns.size + 1, MISSED_INDEX, np.int64)
    of_row[rows] = np.where(found.ambiguous, UNCERTAIN_INDEX, found.partner)
    if watched_to_ns is not None:
        late = rows[at > watched_to_ns]
        of_row[late[of_row[late] == MISSED_INDEX]] = _BEYOND
    del expected, rows, at
    known = _told_by_rows(stimulus, rise, alignment, of_row, found)
    del found, of_row
    has_output = np.append(set_ns != NO_STAMP, False)
    contested = alignment.status == AlignStatus.AMBIGUOUS
    _fill(stimulus, rise, known, (~has_output[alignment.edge_index], contested), window_ns)
    status = _statuses(stimulus, rise, known.partner, window_ns, watched_to_ns)
    if alignment.clock is not None:
        _lost_by_the_source(stimulus, _on_source(alignment.clock, set_ns[alignment.extra_index]), status, window_ns)
    return assemble(stimulus, rise, fall, known.partner, status, known.kind)


def _expected(rise: Int64s, alignment: Alignment, set_ns: Int64s) -> tuple[Places, Int64s, float] | None:
    """Rows with an output, in order of it; when each must rise on the source's clock; how well that is known."""
    if alignment.clock is None:
        return None
    rows = np.flatnonzero(set_ns != NO_STAMP)
    at = _on_source(alignment.clock, set_ns if rows.size == set_ns.size else set_ns[rows])
    if np.any(at[1:] < at[:-1]):
        order = np.argsort(at, kind="stable")
        rows, at = rows[order], at[order]
    delay = usual_delay(at, rise)
    if delay is None:
        return None
    at += delay[0]
    return rows, at, delay[1]


def _on_source(clock: Clock, board_ns: Int64s) -> Int64s:
    found = np.empty(board_ns.size, np.int64)

    def put(part: slice) -> None:
        found[part] = clock.to_source(board_ns[part])

    chunkwise(put, board_ns.size, CHUNK)
    return found


def usual_delay(expected: Int64s, rise: Int64s) -> tuple[int, float] | None:
    """How long after it was set an output rises, and how much that varies; None where nothing stands out from chance.

    Of all differences between rises and rows near them, the window that holds the most beyond chance: a scan statistic,
    over widths that double.

    Args:
        expected: when outputs were set, source clock, int64 ns, sorted.
        rise: int64 ns, sorted.
    """
    if expected.size < 2 or rise.size < 2:
        return None
    sample = expected[:: -(-expected.size // SAMPLE)]
    right = np.searchsorted(rise, sample)
    near = np.concatenate([rise[np.clip(right + by, 0, rise.size - 1)] - sample for by in (-2, -1, 0, 1)])
    near = np.sort(near[np.abs(near) <= HELD_UP_NS])
    rate = rise.size / max(1.0, float(rise[-1] - rise[0]))
    best, inside = 0.0, near[:0]
    for power in range(6, 21):
        if not near.size:
            break
        held = np.searchsorted(near, near + (1 << power), side="right") - np.arange(near.size)
        first = int(held.argmax())
        share, chance = min(1.0, int(held[first]) / sample.size), -float(np.expm1(-rate * (1 << power)))
        told = share * float(np.log(share / chance))
        if told > best:
            best, inside = told, near[first : first + int(held[first])]
    if inside.size < min(FEWEST, sample.size) or best * sample.size < MARGIN:
        return None
    middle = int(np.median(inside))
    off = np.abs(inside - middle)
    return middle, max(1.0, MAD_TO_SIGMA * float(np.median(off)), float(np.quantile(off, 0.9)) / NORMAL_90)


def _told_by_rows(stimulus: Int64s, rise: Int64s, alignment: Alignment, of_row: Int64s, found: Match) -> _Found:
    """What rows say of their stimuli and of the rises; a rise that is no row's is left spurious for now."""
    # The last place of `of_row` is for stimuli without a row.
    partner = of_row[alignment.edge_index]
    answered = partner >= 0
    early = answered & (rise[np.where(answered, partner, 0)] < stimulus)
    partner[early] = UNCERTAIN_INDEX
    kind = np.full(rise.size, Rise.SPURIOUS, np.uint8)
    contested = np.ones(rise.size, np.bool_)
    contested[found.extra] = False
    contested[found.partner[found.partner >= 0]] = False
    kind[contested] = Rise.AMBIGUOUS
    # Rows without a stimulus answered an edge from elsewhere: their rises are taken, and nobody's.
    kind[of_row[:-1][of_row[:-1] >= 0]] = _TAKEN
    if alignment.ambiguous:
        undecided = np.ones(of_row.size - 1, np.bool_)
        undecided[alignment.edge_index[alignment.edge_index >= 0]] = False
        undecided[alignment.extra_index] = False
        theirs = of_row[:-1][undecided]
        kind[theirs[theirs >= 0]] = Rise.SPURIOUS
    kind[partner[partner >= 0]] = Rise.ANSWER
    return _Found(partner, kind)


def _fill(stimulus: Int64s, rise: Int64s, known: _Found, lacking: tuple[Bools, Bools], window_ns: int) -> None:
    """Find the responses of stimuli without a row among the rises that are no row's.

    `lacking` says which have none, and for which of those a row is there that may or may not be theirs.
    """
    places = np.flatnonzero(lacking[0])
    if places.size and np.any(known.kind == Rise.SPURIOUS):
        known.partner[places] = MISSED_INDEX
        usual = usual_range(stimulus, rise, known.partner)
        starts = np.flatnonzero(np.diff(places, prepend=-2) != 1)
        lengths = np.diff(np.append(starts, places.size))
        first, last = places[starts], places[starts + lengths - 1]
        free, low, high = _between(stimulus, rise, known, (first, last), window_ns)
        # Beside one that may have a row, rises that no row speaks of may be that row's.
        several = (lengths > 1) & (high > low) & ~np.logical_or.reduceat(lacking[1][places], starts)
        for run in np.flatnonzero(several).tolist():
            part = slice(int(first[run]), int(last[run]) + 1)
            chosen = free[low[run] : high[run]]
            partner, _, kind = match_by_usual(stimulus[part], rise[chosen], window_ns, usual)
            known.partner[part] = np.where(partner >= 0, chosen[np.maximum(partner, 0)], partner)
            known.kind[chosen] = kind
        _fill_singles((stimulus, rise), known, places[np.repeat(~several, lengths)], window_ns, usual)
        # Where a row may or may not be theirs, its rise is as usual as the row is near: that decides nothing.
        doubtful = places[lacking[1][places] & (known.partner[places] >= 0)]
        known.kind[known.partner[doubtful]] = Rise.AMBIGUOUS
        known.partner[doubtful] = UNCERTAIN_INDEX
    known.kind[known.kind == _TAKEN] = Rise.SPURIOUS


def _between(
    stimulus: Int64s, rise: Int64s, known: _Found, lacking: tuple[Places, Places], window_ns: int
) -> tuple[Places, Places, Places]:
    """Rises that are nobody's, and which of them each run of stimuli may have: the board answers in order.

    Args:
        stimulus, rise: int64 ns, sorted.
        known: what is known of them.
        lacking: the first stimulus of each run without a row, and the last.
        window_ns: an answer comes at most this long after its stimulus.

    Returns:
        The rises, and of these, for each run, the first and the one after the last.
    """
    free = np.flatnonzero(known.kind == Rise.SPURIOUS)
    answered = np.flatnonzero(known.partner >= 0)
    bounds = np.append(rise[known.partner[answered]], np.iinfo(np.int64).max)
    place = np.searchsorted(answered, lacking[0])
    low = np.where(place > 0, np.maximum(stimulus[lacking[0]], bounds[place - 1]), stimulus[lacking[0]])
    high = np.minimum(stimulus[lacking[1]] + window_ns, bounds[place])
    return free, np.searchsorted(rise[free], low, side="right"), np.searchsorted(rise[free], high, side="left")


def usual_range(stimulus: Int64s, rise: Int64s, partner: Int64s) -> Usual | None:
    """Where the reactions of certain pairs lie."""
    paired = np.flatnonzero(partner >= 0)
    sample = paired[:: max(1, paired.size // SAMPLE)]
    if sample.size < FEWEST:
        return None
    reaction = rise[partner[sample]] - stimulus[sample]
    low, high = (int(value) for value in np.quantile(reaction, USUAL))
    rate = rise.size / max(1.0, float(rise[-1] - rise[0]))
    chance = float(np.clip(-np.expm1(-rate * max(1, high - low)), 1e-9, 0.9))
    run = int(np.clip(np.ceil(np.log(1e-6) / np.log(chance)), 2, 20))
    return Usual(low, high, USUAL[1] - USUAL[0], chance, run, several=False)


def _fill_singles(
    edges: tuple[Int64s, Int64s],
    known: _Found,
    single: Places,
    window_ns: int,
    usual: Usual | None,
) -> None:
    """Stimuli that the board has not told of, one by one; the board answers in order."""
    stimulus, rise = edges
    free, first, last = _between(stimulus, rise, known, (single, single), window_ns)
    if not free.size:
        return
    some = last > first
    known.partner[single[some]] = UNCERTAIN_INDEX
    if usual is not None:
        own = free[np.minimum(first, free.size - 1)]
        reaction = rise[own] - stimulus[single]
        clear = (last - first == 1) & (reaction >= usual.low_ns) & (reaction <= usual.high_ns)
        count = np.bincount(own[some], minlength=rise.size)
        clear &= count[own] == 1
        known.partner[single[clear]] = own[clear]
        known.kind[own[clear]] = Rise.ANSWER
        some &= ~clear
    for begin, end in zip(first[some].tolist(), last[some].tolist(), strict=True):
        known.kind[free[begin:end]] = Rise.AMBIGUOUS


def _statuses(stimulus: Int64s, rise: Int64s, partner: Int64s, window_ns: int, watched_to_ns: int | None) -> Uint8s:
    status = np.full(stimulus.size, Status.MISSED, np.uint8)
    beyond = partner == _BEYOND
    partner[beyond] = MISSED_INDEX
    status[partner >= 0] = Status.PAIRED
    status[partner == UNCERTAIN_INDEX] = Status.AMBIGUOUS
    status[coalesced(stimulus, rise, partner)] = Status.COALESCED
    status[beyond] = Status.UNOBSERVED
    return unobserved(status, stimulus, window_ns, watched_to_ns)


def _lost_by_the_source(stimulus: Int64s, extra: Int64s, status: Uint8s, window_ns: int) -> None:
    """Mark missed stimuli `UNOBSERVED` whose window runs into a stretch that the source has lost.

    There the board has rows one after another, and the source not one stimulus, for as long as many take. What is left
    of such a stretch are the stimuli before it, whose answers were lost with it.

    Args:
        stimulus: int64 ns, sorted.
        extra: when the outputs of rows without a stimulus were set, source clock.
        status: of each stimulus, changed in place.
        window_ns: an answer comes at most this long after its stimulus.
    """
    extra = np.sort(extra)
    gap, first, count = np.unique(np.searchsorted(stimulus, extra), return_index=True, return_counts=True)
    long = (count >= STRETCH) & (gap > 0) & (gap < stimulus.size)
    gap, first = gap[long], first[long]
    usual = np.median(np.diff(stimulus[: 1 << 16])) if gap.size else 0
    for after, begin in zip(gap.tolist(), extra[first].tolist(), strict=True):
        if stimulus[after] - stimulus[after - 1] >= STRETCH * usual:
            last = status[int(np.searchsorted(stimulus, begin - window_ns)) : after]
            last[last == Status.MISSED] = Status.UNOBSERVED


def unobserved(status: Uint8s, stimulus: Int64s, window_ns: int, watched_to_ns: int | None) -> Uint8s:
    """Statuses, with `UNOBSERVED` for missed stimuli that were not watched for a whole window."""
    if watched_to_ns is None:
        return status
    cut = int(np.searchsorted(stimulus, watched_to_ns - window_ns, side="right"))
    late = status[cut:]
    status[cut:] = np.where(late == Status.MISSED, np.uint8(Status.UNOBSERVED), late)
    return status


def with_unobserved(pairing: Pairing, window_ns: int, watched_to_ns: int | None) -> Pairing:
    """The same for a pairing by one clock."""
    status = unobserved(pairing.status.copy(), pairing.stimulus_ns, window_ns, watched_to_ns)
    return replace(pairing, status=status)
