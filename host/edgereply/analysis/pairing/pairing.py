"""Pair the stimuli of a run with their responses, both timed by the pulse source's clock.

Assumptions, in the order they are used:

1. A response answers at most one stimulus, comes after it and within `window_ns`.
2. The board answers in order. Its queue may hold events back, so that late answers come in a burst
   after following stimuli; they are paired first in, first out.
3. Where the answers' usual reaction times stand out from chance (see `pairing_zone`), a run of
   usual answers is certain ground. Random arrivals make it so at any lag. With periodic arrivals a
   constant delay of one more period looks the same: the nearest reading is taken only if the very
   first stimulus has its usual answer, else only counts decide.
4. Between certain grounds, as many responses as stimuli means all answered, in order: one missed and
   one spurious edge that cancel are taken for two queued answers unless usual answers contradict.
5. What counting leaves open is weighed (see `pairing_story`). A stretch in which any reading has more
   than one chance in ten thousand beside the best one is ambiguous: its stimuli are counted and kept
   out of the reaction times, never guessed.

So a board that is behind for a long time (overload) is paired while nothing is lost; once an edge is
lost inside the backlog, the backlog is ambiguous. A missed capture edge is a missed response.
"""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.analysis.pairing.pairing_coalesced import coalesced, shares_answer, usual_reaction
from edgereply.analysis.pairing.pairing_result import (
    Pairing,
    Status,
    match_falls,
    sorted_edges,
)
from edgereply.analysis.pairing.pairing_story import MISSED_INDEX, UNCERTAIN_INDEX, Model
from edgereply.analysis.pairing.pairing_stretches import (
    Ground,
    Stretches,
    balanced,
    complementary,
    find_ground,
    find_stretches,
    no_ground,
)
from edgereply.analysis.pairing.pairing_weighing import weigh_all
from edgereply.analysis.pairing.pairing_zone import Zone, typical_zone
from edgereply.analysis.pairing.ranges import spread

__all__ = ["NO_STAMP", "Pairing", "Status", "match_falls", "pair"]


class _Rise(IntEnum):
    SPURIOUS = 0
    ANSWER = 1
    AMBIGUOUS = 2


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
    partner, status, kind = _match(stimulus, rise, window_ns)
    return _assemble(stimulus, rise, fall, partner, status, kind)


def _match(stimulus: Int64s, rise: Int64s, window_ns: int) -> tuple[Int64s, Uint8s, Uint8s]:
    """Index of the rise per stimulus (or MISSED_INDEX), status per stimulus, kind of each rise."""
    partner = np.full(stimulus.size, MISSED_INDEX, dtype=np.int64)
    kind = np.zeros(rise.size, dtype=np.uint8)
    status = np.full(stimulus.size, Status.MISSED, dtype=np.uint8)
    if stimulus.size == 0 or rise.size == 0:
        return partner, status, kind
    zone = typical_zone(stimulus, rise, window_ns)
    ground = no_ground(stimulus.size) if zone is None else find_ground(stimulus, rise, zone)
    if zone is not None and zone.several and not ground.hit[0]:
        zone, ground = None, no_ground(stimulus.size)
    stretches = find_stretches(stimulus, rise, ground, window_ns)
    hard = _settle(stretches, stimulus, rise, ground, zone, window_ns, partner)
    if zone is not None:
        near = complementary(stretches, stimulus, rise, zone.run, window_ns)
        ground = _retreat(_retreat(ground, hard, zone.run), stretches.where(near), zone.run)
        partner[:] = MISSED_INDEX
        stretches = find_stretches(stimulus, rise, ground, window_ns)
        hard = _settle(stretches, stimulus, rise, ground, zone, window_ns, partner)
    np.copyto(partner, ground.candidate, where=ground.anchor)
    index, _ = spread(hard.rise_start, hard.rises)
    kind[index] = _Rise.AMBIGUOUS
    index, _ = spread(hard.stimulus_start, hard.stimuli)
    partner[index] = UNCERTAIN_INDEX
    if zone is not None and hard.stimuli.size:
        near = shares_answer(stimulus, rise, partner, usual_reaction(stimulus, rise, partner, zone.low_ns))
        model = _model(zone, window_ns, stimulus, rise, partner, hard, near)
        spurious = np.zeros(rise.size, dtype=np.bool_)
        weigh_all(hard, stimulus, rise, near, model, partner, spurious)
        kind[spurious] = _Rise.SPURIOUS
        _give_up_contradictions(partner)
    answered = partner >= 0
    kind[partner[answered]] = _Rise.ANSWER
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
    ground: Ground,
    zone: Zone | None,
    window_ns: int,
    partner: Int64s,
) -> Stretches:
    """Pair what counting settles; return the stretches it leaves open."""
    stretches = stretches.trimmed(stimulus, rise)
    plain = balanced(stretches, stimulus, rise, ground, zone, window_ns)
    paired = stretches.where(plain)
    index, owner = spread(paired.stimulus_start, paired.stimuli)
    partner[index] = index - paired.stimulus_start[owner] + paired.rise_start[owner]
    one_sided = (stretches.stimuli == 0) | (stretches.rises == 0)
    lone = (stretches.stimuli == 1) & (stretches.rises > 1)
    first = stretches.stimulus_start[lone]
    answer = stretches.rise_start[lone]
    reaction = rise[answer] - stimulus[first]
    # A stimulus alone with several responses: the first is the answer, unless another is the usual one.
    clear = (reaction >= 0) & (reaction <= window_ns) & (~ground.hit[first] | (ground.candidate[first] == answer))
    partner[first[clear]] = answer[clear]
    lone[np.flatnonzero(lone)[~clear]] = False
    return stretches.where(~(plain | one_sided | lone))


def _retreat(ground: Ground, hard: Stretches, run: int) -> Ground:
    """Give up the certain pairs next to an open stretch: the nearest of them may be there by chance."""
    if not hard.stimuli.size:
        return ground
    change = np.zeros(ground.anchor.size + 1, dtype=np.int32)
    np.add.at(change, np.maximum(hard.stimulus_start - run, 0), 1)
    np.add.at(change, np.minimum(hard.stimulus_end + run, ground.anchor.size), -1)
    return Ground(ground.candidate, ground.hit, ground.anchor & (np.cumsum(change[:-1], dtype=np.int32) == 0))


def _model(
    zone: Zone,
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
        zone=zone,
        window_ns=window_ns,
        interval_ns=max(1.0, float(stimulus[-1] - stimulus[0]) / max(1, stimulus.size - 1)),
        miss=float(np.clip(missed / settled, 1e-4, 0.2)),
        spurious=float(np.clip(spurious / settled, 1e-4, 0.5)),
    )


def _assemble(
    stimulus: Int64s,
    rise: Int64s,
    fall: Int64s,
    partner: Int64s,
    status: Uint8s,
    kind: Uint8s,
) -> Pairing:
    """Put stamps for indices, and give each rise its fall."""
    rise_fall, orphan = match_falls(rise, fall)
    answered = partner >= 0
    rise_out, fall_out = (np.full(stimulus.size, NO_STAMP, dtype=np.int64) for _ in range(2))

    def put(part: slice) -> None:
        own = partner[part][answered[part]]
        rise_out[part][answered[part]] = rise[own]
        fall_out[part][answered[part]] = rise_fall[own]

    chunkwise(put, stimulus.size)
    spurious, ambiguous = kind == _Rise.SPURIOUS, kind == _Rise.AMBIGUOUS
    return Pairing(
        stimulus_ns=stimulus,
        rise_ns=rise_out,
        fall_ns=fall_out,
        status=status,
        spurious_rise_ns=rise[spurious],
        spurious_fall_ns=np.sort(np.concatenate((orphan, present(rise_fall[spurious])))),
        ambiguous_rise_ns=rise[ambiguous],
        ambiguous_fall_ns=present(rise_fall[ambiguous]),
    )
