"""What every run must satisfy, whatever it measured."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from tests.rig.any_rig import AnyRig
from tests.rig.client import FALL, FALL_LOST, LOST, RISE, STIMULUS, TIME_MARK, Client, Record, values
from tests.rig.packages import RigError
from tests.rig.truth import WRAP, Truth

CAPTURE_NOISE = {FALL_LOST, LOST}


def unwrapped(ticks: Sequence[int], origin: int) -> list[int]:
    """Ticks modulo 2**32 as a count from the origin, for runs shorter than one wrap."""
    return [(tick - origin) % WRAP for tick in ticks]


def offset_of(tick: int, cycle: int, truth: Truth) -> int:
    """Tick count at cycle zero, checked in its low 16 bits against the simulated timer itself."""
    offset = (tick - cycle) % WRAP
    if (offset + truth.tick_zero) % 65536:
        raise AssertionError(f"tick {tick} at cycle {cycle} is {(offset + truth.tick_zero) % 65536} off, modulo 65536")
    return offset


def differing(ticks: Sequence[int], cycles: Sequence[int], offset: int) -> list[tuple[int, int]]:
    """Returns: (index, error in ticks) of each stamp that is not the true one."""
    assert len(ticks) == len(cycles), f"{len(ticks)} stamps of {len(cycles)} edges"
    errors = ((tick - cycle - offset) % WRAP for tick, cycle in zip(ticks, cycles, strict=True))
    return [(i, error - WRAP if error > WRAP // 2 else error) for i, error in enumerate(errors) if error]


def check_stamps(records: Sequence[Record], truth: Truth, *, leading: int = 1) -> None:
    """Each stamp is the true one, to the tick, and none is missing or too many.

    Args:
        records: of one run, the only one of its rig.
        truth: taken after the run.
        leading: level the stimulus goes to at its leading edge.
    """
    all_records = list(records)
    stimuli = truth.cycles("stimulus", leading)
    if leading == 0 and len(stimuli) > len(values(all_records, STIMULUS)):
        stimuli = stimuli[-len(values(all_records, STIMULUS)) :]  # switching the output's polarity is an edge too
    stamped = values(all_records, STIMULUS)
    assert stamped, "no stimulus was stamped"
    offset = offset_of(stamped[0], stimuli[0], truth)
    assert differing(stamped, stimuli, offset) == []
    assert differing(values(all_records, RISE), truth.cycles("response", 1), offset) == []
    assert differing(values(all_records, FALL), truth.cycles("response", 0), offset) == []
    assert not CAPTURE_NOISE & {kind for kind, _ in all_records}
    assert truth.overruns == 0
    assert all_records[0][0] == all_records[-1][0] == TIME_MARK


def check_pulses(records: Sequence[Record], rises: Sequence[int], falls: Sequence[int]) -> None:
    """Each answer is one true rise, followed by its true fall or by the word that it was lost.

    Args:
        records: of one run.
        rises, falls: cycles of the true edges, far enough apart that each rise has a stamp.
    """
    edges = [(kind, value) for kind, value in records if kind in (RISE, FALL, FALL_LOST)]
    assert len(edges) == 2 * len(rises)
    offset = edges[0][1] - rises[0]
    for (kind, rise), (end_kind, end), true_rise, true_fall in zip(edges[::2], edges[1::2], rises, falls, strict=True):
        assert kind == RISE
        assert (rise - true_rise - offset) % WRAP == 0
        assert end_kind == FALL_LOST or (end - true_fall - offset) % WRAP == 0


def check_order(records: Sequence[Record]) -> None:
    """Records are out of order by less than 1 ms, and a time mark comes at least each second."""
    origin = records[0][1]
    latest = 0
    for kind, value in records:
        if kind == LOST:
            continue
        at = (value - origin) % WRAP
        at = at - WRAP if at > WRAP // 2 else at
        assert at > latest - 16_000, (kind, value)
        latest = max(latest, at)
    marks = unwrapped(values(list(records), TIME_MARK), origin)
    assert all(later - earlier <= 16_000_000 for earlier, later in pairwise(marks))


def measured(rig: AnyRig, *settings: str) -> list[Record]:
    """Runs READ? with settings on a fresh connection and returns its records; the error queue must stay empty."""
    with Client(rig.port) as client:
        client.set("*RST", *settings, "OUTP ON")
        records = client.read()
        if errors := client.errors():
            raise RigError(f"the run queued {errors}")
        return records
