"""Align the stimuli of the pulse source with the board's own stamps of the same edges, pulse by pulse.

The two clocks share nothing: an offset of hours, a rate apart by up to some hundred parts per million, a slow wander.
Pulses are lost and added on either side; the board may start late or be gone early. This is the alignment of two
sequences with gaps (S. B. Needleman and C. D. Wunsch, J. Mol. Biol. 48 (1970) 443), made easy by what time says:

1. Hypotheses (`hypotheses`): pairs of stamps that may be the same pulse.
2. Each is grown to a line (`clock.grow`) and judged by its evidence (`likelihood`); the best is followed along the
   whole run (`clock.follow`).
3. It is held against its rivals, itself shifted (`rivals`). One that comes within 14 nats, odds of a million to one, is
   as good: the stamps do not decide, and the alignment is refused with that reason.
4. Then each stimulus takes the edge nearest to where it should be, if each is the other's nearest and no second one is
   about as near.

The offset contains the mean delay of the board's stamps, which cannot be told from the clocks' own.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike

from edgereply.analysis.arrays.aliases import Int64s, Places, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.clock import Clock, Grown, follow, foretold, grow
from edgereply.analysis.pairing.hypotheses import (
    by_correlation,
    by_count,
    by_patterns,
)
from edgereply.analysis.pairing.likelihood import evidence, residuals
from edgereply.analysis.pairing.matching import CHUNK, Match, match
from edgereply.analysis.pairing.residual_likelihood import HELD_UP_NS, Reach
from edgereply.analysis.pairing.rivals import MARGIN, SHARPNESS, Refusal, Search, Trial, against_rivals

FEWEST = 5
# Grown lines that are followed along the run before the search goes on.
FOLLOWED = 3
# Pairs of one kind of hint that lines are grown from, and trials after which a train that fits loosely in many ways is
# given up: what a refusal may cost, some seconds.
MOST_PAIRS = 60
ENOUGH_TRIALS = 8
# A relation whose pulses are off by less than this share of the usual interval is not off by whole pulses.
CLOSE = 0.01
# Where so many of the pulses fit, no better relation is looked for.
SURE = 0.7
# So many standard deviations a stamp may be early; nothing stamps an edge before it comes.
EARLY = 12.0


class AlignStatus(IntEnum):
    """What became of a stimulus."""

    ALIGNED = 0
    UNSEEN = 1
    AMBIGUOUS = 2


@dataclass(frozen=True, slots=True)
class Alignment:
    """Stimuli with the board's edges, in the caller's order.

    Attributes:
        edge_index: shape (stimuli,), int64: index of each one's edge, -1 where there is none.
        status: shape (stimuli,), uint8 `AlignStatus`.
        extra_index: indices of the edges that belong to no stimulus, ascending.
        edges: number of edges given.
        clock: how the clocks relate; None if refused.
        residual_ns: standard deviation of the bulk of the aligned edges about the clock; None if refused.
        margin: nats by which the alignment beats its best rival; 0 if refused.
        refusal: why there is none; None if there is one.
        reason: the same for people; empty if there is one.
    """

    edge_index: Int64s
    status: Uint8s
    extra_index: Int64s
    edges: int
    clock: Clock | None = None
    residual_ns: float | None = None
    margin: float = 0.0
    refusal: Refusal | None = None
    reason: str = ""

    def _count(self, status: AlignStatus) -> int:
        return int(np.count_nonzero(self.status == status))

    @property
    def aligned(self) -> int:
        """Stimuli with their edge."""
        return self._count(AlignStatus.ALIGNED)

    @property
    def unseen(self) -> int:
        """Stimuli with no edge."""
        return self._count(AlignStatus.UNSEEN)

    @property
    def ambiguous(self) -> int:
        """Stimuli whose edge cannot be told."""
        return self._count(AlignStatus.AMBIGUOUS)

    @property
    def extra(self) -> int:
        """Edges that belong to no stimulus."""
        sure = int(self.extra_index.size)
        # Where two edges compete for one stimulus, one of them is nobody's, whichever it is.
        contested = 0 if self.clock is None else self.edges - self.aligned - sure
        return sure + max(0, contested - self.ambiguous)

    @property
    def ambiguous_edges(self) -> int:
        """Edges that may belong to an ambiguous stimulus: edges less aligned less extra."""
        return self.edges - self.aligned - self.extra

    @property
    def drift_ppm(self) -> float | None:
        """Mean rate of the board's clock over the source's, less one; None if refused."""
        return None if self.clock is None else self.clock.rate()[1] * 1e6

    @property
    def offset_ns(self) -> int | None:
        """Board clock less source clock at the first knot; None if refused."""
        return None if self.clock is None else self.clock.base_ns + round(self.clock.rate()[0])


def align(stimulus_ns: ArrayLike, edge_ns: ArrayLike, max_drift_ppm: float = 250.0) -> Alignment:
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
        unseen = np.full(stimulus.size, AlignStatus.UNSEEN, dtype=np.uint8)
        return Alignment(np.full(stimulus.size, -1, np.int64), unseen, np.arange(edge.size), edge.size)
    if min(stimulus.size, edge.size) < FEWEST or stimulus[0] == stimulus[-1] or edge[0] == edge[-1]:
        reason = f"fewer than {FEWEST} pulses on a side are too few to compare"
        return _refused(stimulus.size, edge.size, Refusal.TOO_FEW, reason)
    search = Search(stimulus, edge, max_drift_ppm * 1e-6)
    found = _decided(search)
    if isinstance(found, tuple):
        return _refused(stimulus.size, edge.size, *found)
    if found.margin is None:
        return _refused(stimulus.size, edge.size, found.refusal or Refusal.REPEATING, found.reason)
    clock = found.clock
    target = np.empty(stimulus.size, np.int64)

    def expect(part: slice) -> None:
        target[part] = clock.to_board(stimulus[part])

    chunkwise(expect, stimulus.size, CHUNK)
    # An edge is stamped late where interrupts are off, never early. A late one could also be one lost and one added:
    # their shares decide, and where they do not clearly, the stimulus stays open.
    # A short run's line may have been fitted to few that agree by chance: what all of them say counts.
    sigma = max(clock.sigma_ns, found.scale_ns)
    early = round(EARLY * sigma)
    matched = match(target, edge, sigma, Reach(early, max(early, HELD_UP_NS)))
    return _in_callers_order(matched, edge.size, clock, found.margin, stimulus_order, edge_order)


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


def _refused(stimuli: int, edges: int, refusal: Refusal, reason: str) -> Alignment:
    status = np.full(stimuli, AlignStatus.AMBIGUOUS, dtype=np.uint8)
    nothing = np.full(stimuli, -1, dtype=np.int64)
    return Alignment(nothing, status, np.zeros(0, np.int64), edges, refusal=refusal, reason=reason)


def _in_callers_order(
    found: Match, edges: int, clock: Clock, margin: float, stimulus_order: Places | None, edge_order: Places | None
) -> Alignment:
    partner, extra = found.partner, found.extra
    status = np.full(partner.size, AlignStatus.UNSEEN, np.uint8)
    status[partner >= 0] = AlignStatus.ALIGNED
    status[found.ambiguous] = AlignStatus.AMBIGUOUS
    if edge_order is not None:
        partner = np.where(partner >= 0, edge_order[partner], -1)
        extra = np.sort(edge_order[extra])
    if stimulus_order is not None:
        back = np.argsort(stimulus_order)
        partner, status = partner[back], status[back]
    return Alignment(partner, status, extra, edges, clock, found.sigma_ns, margin)


def _decided(search: Search) -> Trial | tuple[Refusal, str]:
    """What the stamps decide for, or why they do not."""
    tolerances = [max(2.0, search.usual_ns / sharp) for sharp in SHARPNESS]
    stimulus, edge = search.stimulus, search.edge
    steps: list[tuple[str, Iterable[tuple[int, int]]]] = [
        ("the first and last stamps", by_count(stimulus.size, edge.size))
    ]
    steps += [("telling patterns of intervals", by_patterns(stimulus, edge, t, search.drift)) for t in tolerances]
    steps += [("cross-correlation", by_correlation(stimulus, edge, search.drift))]
    trials: list[Trial] = []
    for name, pairs in steps:
        if name not in search.tried:
            search.tried.append(name)
        for grown in _grown(search, islice(pairs, MOST_PAIRS), tolerances)[:FOLLOWED]:
            trial = _tried(search, grown)
            if trial is None:
                continue
            close = trial.scale_ns < search.usual_ns * CLOSE and trial.better is None
            if trial.share >= SURE and (trial.margin is not None or close):
                return trial
            trials.append(trial)
        # Off by some pulses, nearly even arrivals fit loosely: of all that were found, the one that fits best.
        if len(trials) >= ENOUGH_TRIALS and trials[0].share >= SURE:
            break
    if trials:
        return max(trials, key=lambda trial: trial.nats)
    return Refusal.NO_FIT, (
        f"no relation of the two clocks fits: at best {search.best:.0%} of the stimuli find an edge where they "
        f"should; tried were {', '.join(search.tried)}: are these the same run?"
    )


def _tried(search: Search, grown: Grown) -> Trial | None:
    """Follow a line along the run and hold it against its rivals; where one is better, that one.

    Where each in turn has a better one, as at the ends of a train that repeats, the last is refused.
    """
    trial = None
    for _ in range(FOLLOWED):
        trial = against_rivals(search, follow(search.stimulus, search.edge, grown))
        if trial is None or trial.better is None:
            break
        grown = trial.better
    return trial


def _grown(search: Search, pairs: Iterable[tuple[int, int]], tolerances: list[float]) -> list[Grown]:
    """Lines grown from the pairs, the one with most evidence first, each relation of the clocks once."""
    found: list[tuple[float, Grown]] = []
    # Lines that most of the pulses fit: a pair that lies on one needs no line of its own.
    sure: list[Grown] = []
    for pair in pairs:
        search.pairs += 1
        if any(_lies_on(one, int(search.stimulus[pair[0]]), int(search.edge[pair[1]])) for one in sure):
            continue
        lines = [grow(search.stimulus, search.edge, pair, tolerance, search.drift) for tolerance in tolerances]
        told = [evidence(residuals(foretold(search.stimulus, one), search.edge)) for one in lines]
        best = max(range(len(lines)), key=lambda k: told[k].nats)
        if told[best].nats <= MARGIN:
            continue
        search.best = max(search.best, told[best].share)
        found.append((told[best].nats, lines[best]))
        if told[best].share > SURE:
            sure.append(lines[best])
        if len(sure) >= 2 * FOLLOWED:
            break
    found.sort(key=lambda item: -item[0])
    return [one for _, one in found]


def _lies_on(one: Grown, stimulus_ns: int, edge_ns: int) -> bool:
    """Whether a pair of stamps may lie on a line."""
    at = float(stimulus_ns - one.source_ns)
    off = edge_ns - stimulus_ns - one.base_ns - float(one.line.offset(np.array([at]))[0])
    return abs(off) < 4 * one.line.sigma_ns + 2 * one.line.slope_sd * abs(at - one.line.at_ns)
