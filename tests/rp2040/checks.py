"""What every run on the RP2040 must satisfy: stamps in ticks of 16 ns against edges in cycles of 8 ns.

A state machine looks at its pin every second cycle, so a stamp is the first look at or after the edge: rounded up to
whole ticks. Rounding of the stimulus is always the same, since the machine that makes it counts with those that look.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

from tests.rig.client import FALL, FALL_LOST, LOST, RISE, STIMULUS, TIME_MARK, Record, values
from tests.rig.truth import WRAP, Truth
from tests.rp2040.rig import CYCLES_PER_TICK

NOISE = {FALL_LOST, LOST}


def errors_of(stamps: Sequence[int], cycles: Sequence[int], origin: tuple[int, int]) -> list[int]:
    """How many cycles after its edge each stamp lies.

    Args:
        stamps: ticks modulo 2**32.
        cycles: of the true edges.
        origin: a stamp and the cycle of its edge, from which both are counted; a run may last a wrap at most.

    Returns:
        One for each stamp.
    """
    assert len(stamps) == len(cycles), f"{len(stamps)} stamps of {len(cycles)} edges"
    stamp, cycle = origin
    counted = [(tick - stamp + WRAP // 2) % WRAP - WRAP // 2 for tick in stamps]
    return [CYCLES_PER_TICK * ticks - (true - cycle) for ticks, true in zip(counted, cycles, strict=True)]


def check_stamps(records: Sequence[Record], truth: Truth, *, leading: int = 1) -> None:
    """Each stamp is the true one, rounded up to a tick, and none is missing or too many.

    Args:
        records: of one run, the only one of its rig.
        truth: taken after the run.
        leading: level the stimulus goes to at its leading edge.
    """
    found = list(records)
    stamped = values(found, STIMULUS)
    assert stamped, "no stimulus was stamped"
    edges = truth.cycles("stimulus", leading)
    # With inverted polarity, going to the idle level when the run ends on the other one is an edge too.
    edges = edges[-len(stamped) :] if leading == 0 else edges
    origin = stamped[0], edges[0]
    assert set(errors_of(stamped, edges, origin)) == {0}
    for kind, level in ((RISE, 1), (FALL, 0)):
        # The stimulus that is the origin was itself rounded up by 0 or 1 cycle.
        late = set(errors_of(values(found, kind), truth.cycles("response", level), origin))
        assert late <= {0, 1} or late <= {-1, 0}, late
    assert not NOISE & {kind for kind, _ in found}
    assert truth.overruns == 0
    assert found[0][0] == found[-1][0] == TIME_MARK


def check_no_wrong_number(records: Sequence[Record], truth: Truth) -> tuple[int, int]:
    """Whatever was lost of the response, each stamp there is belongs to an edge, and each pulse is one pulse.

    Args:
        records, truth: as for `check_stamps`.

    Returns:
        How many rises were stamped, and how many falls were said to be lost.
    """
    stamped = values(list(records), STIMULUS)
    edges = truth.cycles("stimulus", 1)
    assert set(errors_of(stamped, edges, (stamped[0], edges[0]))) == {0}
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
    at = cycle + CYCLES_PER_TICK * ((tick - stamp) % WRAP)
    number = bisect_right(cycles, at + 1) - 1
    assert number >= 0, "a stamp before all edges"
    assert at - cycles[number] in (-1, 0, 1), f"a stamp {at - cycles[number]} cycles after its edge"
    return number
