"""The emitting loop of a board that is the pulse source: sleep until shortly before an edge is due, then spin.

The stimulus is stamped where the middle of the quickest write so far was, and the greatest time from there to the end
of its write is kept, so that the uncertainty is known. The very middle would not do: where one CPU does everything, the
responder answers before the call returns, and the answer would come before the stimulus. There every rise is disturbed
so, but no fall, so falls count as well, the one of the same pulse included. Captured edges carry the kernel's stamps,
so reading them late harms nothing.
"""

from __future__ import annotations

import select
import time

from .arrivals import intervals_ns
from .capturing import STIMULUS, Capture
from .ring import MASK, STOP, Ring
from .routes.base import InputLine, OutputLine
from .settings import Plan

SPIN_NS = 300_000
REST_NS = 20_000
LATE_NS = 100_000_000
MAX_SLEEP_NS = 100_000_000
HALF_LENGTH, EMITTED = 8, 9  # cells of the ring


def emit(plan: Plan, stimulus: OutputLine, capture: Capture, line: InputLine, ring: Ring) -> None:
    """Emit all stimuli of a plan, capture for another 100 ms.

    Args:
        plan: what to emit.
        stimulus: line to drive; low before and after.
        capture: takes the events of `line`.
        line: line that is captured.
        ring: where rows go, and the cell that asks to stop.
    """
    now, high, low, cells, record = time.monotonic_ns, stimulus.high, stimulus.low, ring.cells, capture.record
    intervals = intervals_ns(plan)
    upcoming_ns = next(intervals)
    paired = plan.pattern == "pairs"
    usual_ns = MASK
    due_ns = at_ns = now()
    free_ns = 0
    for number in range(1, plan.count + 1):
        # Gaps and rests of pairs count from the edge that there was, not from the one that was due.
        due_ns = (at_ns if paired else due_ns) + upcoming_ns
        upcoming_ns = next(intervals)
        # The first pulse of a pair ends half-way to the second.
        width_ns = min(plan.width_ns, upcoming_ns // 2) if paired else plan.width_ns
        if not _rest(max(due_ns, free_ns), capture, line, ring):
            return
        before_ns = now()
        high()
        after_ns = now()
        usual_ns = min(usual_ns, (after_ns - before_ns + 1) // 2)
        # A write that was held up may have acted at its very end: the pulse is never shorter than planned.
        end_ns = max(before_ns + usual_ns, after_ns - usual_ns) + width_ns
        if width_ns > 2 * SPIN_NS:
            time.sleep((width_ns - SPIN_NS) * 1e-9)
        while now() < end_ns:
            pass
        falling_ns = now()
        low()
        usual_ns = min(usual_ns, (now() - falling_ns + 1) // 2)
        at_ns = before_ns + usual_ns
        record(at_ns, STIMULUS, number & MASK)
        if after_ns - at_ns > cells[HALF_LENGTH]:
            cells[HALF_LENGTH] = min(after_ns - at_ns, MASK)
        cells[EMITTED] = number & MASK
        free_ns = now() + (0 if paired else REST_NS)
    _rest(now() + LATE_NS, capture, line, ring)


def _rest(until_ns: int, capture: Capture, line: InputLine, ring: Ring) -> bool:
    """Capture until it is time; false when asked to stop."""
    now, cells = time.monotonic_ns, ring.cells
    fds = [line.expected[0][0]]
    while True:
        left_ns = until_ns - SPIN_NS - now()
        if cells[STOP]:
            return False
        if left_ns <= 0:
            break
        # select keeps fractions of a millisecond, poll does not.
        select.select(fds, (), (), min(left_ns, MAX_SLEEP_NS) * 1e-9)
        capture.take()
        capture.settle(now())
    while now() < until_ns:
        pass
    return True
