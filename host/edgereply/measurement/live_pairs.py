"""Answers of a run while it goes on, a little behind: a late answer comes after stimuli that are not its own."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.one_clock import pair
from edgereply.analysis.pairing.result import Status
from edgereply.sources.base import SourceBatch
from edgereply.storage.stamps import RISE, STIMULUS

# Pairing some hundred stimuli takes milliseconds: once a second it disturbs nothing on this computer.
EVERY_NS = 1_000_000_000
# Stimuli before those in question: they tell which reaction times are usual.
BEFORE = 1_000


@dataclass(frozen=True, slots=True)
class Settled:
    """What has become certain since the last time.

    Attributes:
        reaction_ns: shape (n,), int64, of stimuli that were answered.
        missed: stimuli without an answer.
    """

    reaction_ns: Int64s
    missed: int


NOTHING = Settled(np.empty(0, np.int64), 0)


class LivePairs:
    """Pairs what has come so far, again and again, with a stretch of what came before.

    Args:
        window_ns: an answer comes at most this long after its stimulus; the stimuli of the last so many nanoseconds
            are left for the next time.
    """

    def __init__(self, window_ns: int) -> None:
        self._window_ns = window_ns
        self._edges = {STIMULUS: np.empty(0, np.int64), RISE: np.empty(0, np.int64)}
        self._settled_to = self._looked_at = NO_STAMP

    def add(self, batch: SourceBatch | None) -> Settled:
        """Take in a batch; what it settles, if it is time to look."""
        if batch is None or not (len(batch.kind) or batch.done):
            return NOTHING
        for kind, known in self._edges.items():
            self._edges[kind] = np.concatenate((known, batch.at_ns[batch.kind == kind]))
        now = max(int(edges.max(initial=NO_STAMP)) for edges in self._edges.values())
        if not len(self._edges[STIMULUS]) or (now - self._looked_at < EVERY_NS and not batch.done):
            return NOTHING
        self._looked_at = now
        stimulus, rise = (np.sort(self._edges[kind]) for kind in (STIMULUS, RISE))
        # Nothing more will come of those at the end.
        upto = now if batch.done else now - self._window_ns
        found = pair(stimulus, rise, np.empty(0, np.int64), self._window_ns)
        fresh = (stimulus > self._settled_to) & (stimulus <= upto)
        self._settled_to = max(self._settled_to, upto)
        first = max(0, int(np.searchsorted(stimulus, upto, side="right")) - BEFORE)
        self._edges[STIMULUS] = stimulus[first:]
        self._edges[RISE] = rise[np.searchsorted(rise, stimulus[min(first, len(stimulus) - 1)]) :]
        answered = fresh & (found.status == Status.PAIRED)
        missed = int(np.count_nonzero(fresh & (found.status == Status.MISSED)))
        return Settled(found.rise_ns[answered] - found.stimulus_ns[answered], missed)
