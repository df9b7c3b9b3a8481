"""One run of a virtual pulse source: which stimulus is due when, and what the faults make of it."""

from __future__ import annotations

import heapq
import random
from collections.abc import Iterator

from edgereply.sources.arrivals import stream
from edgereply.sources.limits import REST_NS
from edgereply.sources.simulator.clock import VirtualClock
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.stimulus import SimulatedStimulus

GAP_NS = 20_000
TAIL_NS = 100_000_000
DELIVER, GHOST_RISE, GHOST_FALL = range(3)


class SimulatedRun:
    """Keeps the times of one run; sends and records nothing itself.

    Args:
        stimulus: the settings.
        clock: the source's own.
        start_ns: monotonic moment the intervals count from.
        faults: what is to go wrong.
        rng: decides when.

    Attributes:
        due_ns: monotonic moment of the next stimulus; None when all have been emitted.
        emitted: stimuli so far.
        later: heap of (monotonic ns, action) besides the stimuli.
        ends_ns: when capturing ends; None as long as stimuli are due.
    """

    def __init__(
        self, stimulus: SimulatedStimulus, clock: VirtualClock, start_ns: int, faults: Faults, rng: random.Random
    ):
        self.start_ns = start_ns
        self.emitted = 0
        self.later: list[tuple[int, int]] = []
        self.ends_ns: int | None = None
        self._count = stimulus.count
        self._clock = clock
        self._faults = faults
        self._rng = rng
        self._intervals: Iterator[int] = stream(stimulus.plan())
        self._due = clock.ticks(start_ns) + next(self._intervals)
        self._period_ns = stimulus.period * 1_000_000_000 // stimulus.tick_hz
        self._rest_ns = stimulus.width * 1_000_000_000 // stimulus.tick_hz + GAP_NS
        # The first pulse of a pair ends after half the gap at most.
        self._paired = stimulus.pattern == "pairs"
        if self._paired:
            self._rest_ns = 0
        self.due_ns: int | None = clock.at_ns(self._due)

    def next_ns(self) -> int | None:
        """Returns: when something is to be done next; None when nothing is."""
        if self.later and (self.due_ns is None or self.later[0][0] < self.due_ns):
            return self.later[0][0]
        return self.due_ns

    def advance(self, at_ns: int) -> None:
        """Note that the stimulus due was emitted.

        Args:
            at_ns: monotonic moment it really was.
        """
        self.emitted += 1
        if self.emitted >= self._count:
            self.due_ns = None
            self.ends_ns = at_ns + TAIL_NS
            return
        if self._paired:
            # Gaps and rests count from the edge that there was, not from the one that was due.
            self._due = self._clock.ticks(at_ns)
        self._due += next(self._intervals)
        self.due_ns = max(self._clock.at_ns(self._due), at_ns + self._rest_ns)

    def deliveries(self, at_ns: int) -> int:
        """Let the faults decide about a stimulus edge.

        Args:
            at_ns: when it was emitted.

        Returns:
            How many times it reaches the board at once; late ones and ghosts are put on the heap.
        """
        faults, chance = self._faults, self._rng.random
        if faults.spurious and chance() < faults.spurious:
            rise_ns = at_ns + self._rng.randrange(self._period_ns)
            heapq.heappush(self.later, (rise_ns, GHOST_RISE))
            heapq.heappush(self.later, (rise_ns + REST_NS, GHOST_FALL))
        if faults.drop and chance() < faults.drop:
            return 0
        if faults.late and chance() < faults.late:
            heapq.heappush(self.later, (at_ns + faults.late_us * 1000, DELIVER))
            return 0
        return 2 if faults.duplicate and chance() < faults.duplicate else 1

    def pop_later(self, now_ns: int) -> int | None:
        """Returns: the action on the heap that is due, removed; None when none is."""
        if self.later and self.later[0][0] <= now_ns:
            return heapq.heappop(self.later)[1]
        return None
