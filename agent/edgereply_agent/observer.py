"""What the responder's own calls cost, measured in its own process, under its own settings, before it begins.

Part of every segment is the observer's: between `wake` and `set` lie one write and one reading of the clock. The clock
is measured here; what a write costs needs no trial, since `hold` with no hold asked for is one write and one reading of
the clock as well. Nothing is written: an output is not driven before its time, not even to the level it has.
"""

from __future__ import annotations

import time
from typing import Any, Callable, Optional

from edgereply_protocol import Json

from .routes.base import InputLine

REPEATS = 33


def own_costs(line: InputLine) -> Json:
    """Median cost of calls the hot loop makes.

    Returns:
        `clock_ns`: one reading of the clock; `poll_ns`: asking for an event when there is none, as `spin` does over and
        over. Integers, nanoseconds.

    Raises:
        OSError: a line is gone.
    """
    clock_ns = _median_ns(None)
    return {"clock_ns": clock_ns, "poll_ns": max(0, _median_ns(line.ready) - clock_ns)}


def _median_ns(call: Optional[Callable[[], Any]]) -> int:
    """Median time between two readings of the clock with a call between them, or with nothing."""
    now, took = time.monotonic_ns, []
    for _ in range(REPEATS):
        if call is None:
            before_ns = now()
            after_ns = now()
        else:
            before_ns = now()
            call()
            after_ns = now()
        took.append(after_ns - before_ns)
    return sorted(took)[REPEATS // 2]
