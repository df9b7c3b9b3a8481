"""What a run on the RP2040 must satisfy even where not every edge of the response could be stamped."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from tests.rig.checks import errors_of
from tests.rig.client import FALL, FALL_LOST, RISE, STIMULUS, Record, values
from tests.rig.truth import WRAP, Truth
from tests.rp2040.rig import Rp2040Rig


def check_no_wrong_number(records: Sequence[Record], truth: Truth) -> tuple[int, int]:
    """Whatever was lost of the response, each stamp there is belongs to an edge, and each pulse is one pulse.

    Args:
        records, truth: as for `check_stamps`.

    Returns:
        How many rises were stamped, and how many falls were said to be lost.
    """
    stamped = values(list(records), STIMULUS)
    edges = truth.cycles("stimulus", 1)
    assert set(errors_of(stamped, edges, (stamped[0], edges[0]), truth)) == {0}
    rises, falls = truth.cycles("response", 1), truth.cycles("response", 0)
    pulse: int | None = None  # the true pulse whose rise was stamped last
    counts = [0, 0]
    for kind, tick in records:
        if kind == RISE:
            pulse = _edge_of(tick, rises, stamped[0], edges[0])
            counts[0] += 1
        elif kind == FALL:
            assert pulse is not None, "a fall without a rise"
            assert _edge_of(tick, falls, stamped[0], edges[0]) == pulse, "a fall of another pulse"
            pulse = None
        elif kind == FALL_LOST:
            pulse = None
            counts[1] += 1
    return counts[0], counts[1]


def _edge_of(tick: int, cycles: Sequence[int], stamp: int, cycle: int) -> int:
    """Returns: the number of the edge that is stamped so; a look comes up to a tick after its edge."""
    at = cycle + Rp2040Rig.cycles_per_tick * ((tick - stamp) % WRAP)
    number = bisect_right(cycles, at + 1) - 1
    assert number >= 0, "a stamp before all edges"
    assert at - cycles[number] in (-1, 0, 1), f"a stamp {at - cycles[number]} cycles after its edge"
    return number
