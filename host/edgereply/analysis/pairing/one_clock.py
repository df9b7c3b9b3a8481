"""Pair the stimuli of a run with their responses, both timed by the pulse source's clock.

Assumptions, in the order they are used:

1. A response answers at most one stimulus, comes after it and within `window_ns`.
2. The board answers in order. Its queue may hold events back, so that late answers come in a burst
   after following stimuli; they are paired first in, first out.
3. Where the answers' usual reaction times stand out from chance (see `usual_reaction`), a run of
   usual answers is certain. Random arrivals make it so at any lag. With periodic arrivals a
   constant delay of one more period looks the same: the nearest reading is taken only if the very
   first stimulus has its usual answer, else only counts decide.
4. Between certain pairs, as many responses as stimuli means all answered, in order: one missed and
   one spurious edge that cancel are taken for two queued answers unless usual answers contradict.
5. What counting leaves open is weighed (see `reaction_likelihood`). A stretch in which any reading has
   more than one chance in ten thousand beside the best one is ambiguous: its stimuli are counted and
   kept out of the reaction times, never guessed.
6. An unanswered stimulus whose neighbour came sooner than an answer could be expected, with no response
   between, may have shared the neighbour's. A board that answers such close stimuli one by one (a queue,
   a fixed delay of several intervals) does not merge them, so the run itself is asked: for stimuli that
   close or closer, shared answers must be at least as frequent as separate ones.

So a board that is behind for a long time (overload) is paired while nothing is lost; once an edge is
lost inside the backlog, the backlog is ambiguous. A missed capture edge is a missed response.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.posterior import MISSED_INDEX, UNCERTAIN_INDEX
from edgereply.analysis.pairing.reaction_likelihood import Model, weigh_all
from edgereply.analysis.pairing.result import Pairing, Rise, Status, assemble, sorted_edges
from edgereply.analysis.pairing.stretches import (
    Anchors,
    Stretches,
    balanced,
    complementary,
    find_anchors,
    find_stretches,
    no_anchors,
    spread,
)
from edgereply.analysis.pairing.usual_reaction import Usual, usual_reactions


def pair(stimulus_ns: ArrayLike, rise_ns: ArrayLike, fall_ns: ArrayLike, window_ns: int) -> Pairing:
    """Pair stimuli with responses; the module's docstring states the assumptions.

    Args:
        stimulus_ns: stimulus edges, int64 ns, any order.
        rise_ns: response rising edges, int64 ns, same clock, any order.
        fall_ns: response falling edges, likewise; may be empty.
        window_ns: an answer comes at most this long after its stimulus, > 0.

    Raises:
        ValueError: an array is not one-dimensional whole nanoseconds, or the window is not positive.
    """
    if window_ns <= 0:
        raise ValueError(f"window_ns must be positive, got {window_ns}: give the longest reaction to wait for")
    # Longer than any run, and short enough that a stamp plus the window stays an int64.
    window_ns = min(window_ns, 2**61)
    stimulus = sorted_edges(stimulus_ns, "stimulus_ns")
    rise = sorted_edges(rise_ns, "rise_ns")
    fall = sorted_edges(fall_ns, "fall_ns")
    partner, status, kind = match_by_usual(stimulus, rise, window_ns)
    return assemble(stimulus, rise, fall, partner, status, kind)


def match_by_usual(
    stimulus: Int64s, rise: Int64s, window_ns: int, known: Usual | None = None
) -> tuple[Int64s, Uint8s, Uint8s]:
    """Match sorted trains.

    Args:
        stimulus, rise: one clock, int64 ns, sorted.
        window_ns: as for `pair`.
        known: usual reactions that other pairs have taught; these edges may be too few to tell them.

    Returns:
        Index of the rise per stimulus (or MISSED_INDEX), `Status` of each stimulus, `Rise` of each response.
    """
    partner = np.full(stimulus.size, MISSED_INDEX, dtype=np.int64)
    kind = np.zeros(rise.size, dtype=np.uint8)
    status = np.full(stimulus.size, Status.MISSED, dtype=np.uint8)
    if stimulus.size == 0 or rise.size == 0:
        return partner, status, kind
    usual = known or usual_reactions(stimulus, rise, window_ns)
    anchors = no_anchors(stimulus.size) if usual is None else find_anchors(stimulus, rise, usual)
    if usual is not None and usual.several and not anchors.hit[0]:
        usual, anchors = None, no_anchors(stimulus.size)
    stretches = find_stretches(stimulus, rise, anchors, window_ns)
    hard = _settle(stretches, stimulus, rise, anchors, usual, window_ns, partner)
    if usual is not None:
        near = complementary(stretches, stimulus, rise, usual.run, window_ns)
        anchors = _retreat(_retreat(anchors, hard, usual.run), stretches.where(near), usual.run)
        partner[:] = MISSED_INDEX
        stretches = find_stretches(stimulus, rise, anchors, window_ns)
        hard = _settle(stretches, stimulus, rise, anchors, usual, window_ns, partner)
    np.copyto(partner, anchors.candidate, where=anchors.anchor)
    index, _ = spread(hard.rise_start, hard.rises)
    kind[index] = Rise.AMBIGUOUS
    index, _ = spread(hard.stimulus_start, hard.stimuli)
    partner[index] = UNCERTAIN_INDEX
    if usual is not None and hard.stimuli.size:
        near = shares_answer(stimulus, rise, partner, median_reaction(stimulus, rise, partner, usual.low_ns))
        model = _model(usual, window_ns, stimulus, rise, partner, hard, near)
        spurious = np.zeros(rise.size, dtype=np.bool_)
        weigh_all(hard, stimulus, rise, near, model, partner, spurious)
        kind[spurious] = Rise.SPURIOUS
        _give_up_contradictions(partner)
    answered = partner >= 0
    kind[partner[answered]] = Rise.ANSWER
    status[answered] = Status.PAIRED
    status[partner == UNCERTAIN_INDEX] = Status.AMBIGUOUS
    status[coalesced(stimulus, rise, partner)] = Status.COALESCED
    return partner, status, kind


def _give_up_contradictions(partner: Int64s) -> None:
    """Where pieces weighed apart disagree about the order, neither is right for certain."""
    against = np.zeros(1, dtype=np.int64)
    while against.size:
        answered = np.flatnonzero(partner >= 0)
        against = np.flatnonzero(np.diff(partner[answered]) <= 0)
        partner[answered[against]] = UNCERTAIN_INDEX
        partner[answered[against + 1]] = UNCERTAIN_INDEX


def _settle(
    stretches: Stretches,
    stimulus: Int64s,
    rise: Int64s,
    anchors: Anchors,
    usual: Usual | None,
    window_ns: int,
    partner: Int64s,
) -> Stretches:
    """Pair what counting settles; return the stretches it leaves open."""
    stretches = stretches.trimmed(stimulus, rise)
    plain = balanced(stretches, stimulus, rise, anchors, usual, window_ns)
    paired = stretches.where(plain)
    index, owner = spread(paired.stimulus_start, paired.stimuli)
    partner[index] = index - paired.stimulus_start[owner] + paired.rise_start[owner]
    one_sided = (stretches.stimuli == 0) | (stretches.rises == 0)
    lone = (stretches.stimuli == 1) & (stretches.rises > 1)
    first = stretches.stimulus_start[lone]
    answer = stretches.rise_start[lone]
    reaction = rise[answer] - stimulus[first]
    # A stimulus alone with several responses: the first is the answer, unless another is the usual one.
    clear = (reaction >= 0) & (reaction <= window_ns) & (~anchors.hit[first] | (anchors.candidate[first] == answer))
    partner[first[clear]] = answer[clear]
    lone[np.flatnonzero(lone)[~clear]] = False
    return stretches.where(~(plain | one_sided | lone))


def _retreat(anchors: Anchors, hard: Stretches, run: int) -> Anchors:
    """Give up the certain pairs next to an open stretch: the nearest of them may be there by chance."""
    if not hard.stimuli.size:
        return anchors
    change = np.zeros(anchors.anchor.size + 1, dtype=np.int32)
    np.add.at(change, np.maximum(hard.stimulus_start - run, 0), 1)
    np.add.at(change, np.minimum(hard.stimulus_end + run, anchors.anchor.size), -1)
    return Anchors(anchors.candidate, anchors.hit, anchors.anchor & (np.cumsum(change[:-1], dtype=np.int32) == 0))


def _model(
    usual: Usual,
    window_ns: int,
    stimulus: Int64s,
    rise: Int64s,
    partner: Int64s,
    hard: Stretches,
    near: Bools,
) -> Model:
    """Estimate the rates of missed and spurious edges where they are settled, bounded both ways."""
    settled = max(1, stimulus.size - int(hard.stimuli.sum()))
    paired = int(np.count_nonzero(partner >= 0))
    # Those near another may have shared its answer.
    missed = int(np.count_nonzero((partner == MISSED_INDEX) & ~near))
    spurious = rise.size - paired - int(hard.rises.sum())
    return Model(
        usual=usual,
        window_ns=window_ns,
        interval_ns=max(1.0, float(stimulus[-1] - stimulus[0]) / max(1, stimulus.size - 1)),
        miss=float(np.clip(missed / settled, 1e-4, 0.2)),
        spurious=float(np.clip(spurious / settled, 1e-4, 0.5)),
    )


def median_reaction(stimulus: Int64s, rise: Int64s, partner: Int64s, otherwise_ns: int) -> int:
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
    close = shares_answer(stimulus, rise, partner, median_reaction(stimulus, rise, partner, 0))
    # Only where neighbours are close can one answer have served several.
    member = close.copy()
    member[:-1] |= close[1:]
    index = np.flatnonzero(member)
    group = np.cumsum(~close[index])
    served = np.zeros(index.size + 1, dtype=np.bool_)
    served[group[partner[index] >= 0]] = True
    shared[index] = (partner[index] == -1) & served[group]
    return shared
