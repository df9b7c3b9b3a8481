"""What every run must satisfy, whatever it measured."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from tests.rig.any_rig import AnyRig, RigError
from tests.rig.client import FALL, FALL_LOST, LOST, RISE, STIMULUS, TIME_MARK, Client, Record, values
from tests.rig.truth import WRAP, Truth

CAPTURE_NOISE = {FALL_LOST, LOST}


def unwrapped(ticks: Sequence[int], origin: int) -> list[int]:
    """Ticks modulo 2**32 as a count from the origin, for runs shorter than one wrap."""
    return [(tick - origin) % WRAP for tick in ticks]


def errors_of(stamps: Sequence[int], cycles: Sequence[int], origin: tuple[int, int], truth: Truth) -> list[int]:
    """How many cycles after its edge each stamp lies.

    Args:
        stamps: ticks modulo 2**32.
        cycles: of the true edges.
        origin: a stamp and the cycle of its edge, from which both are counted.
        truth: what the edges are of.

    Returns: one for each stamp.
    """
    assert len(stamps) == len(cycles), f"{len(stamps)} stamps of {len(cycles)} edges"
    stamp, cycle = origin
    wrap = truth.cycles_per_tick * WRAP
    errors = (
        truth.cycles_per_tick * (tick - stamp) - (true - cycle) for tick, true in zip(stamps, cycles, strict=True)
    )
    return [(error + wrap // 2) % wrap - wrap // 2 for error in errors]


def check_timer(tick: int, cycle: int, truth: Truth) -> None:
    """A stamp's low 16 bits are those of the simulated timer itself, where the rig logs it."""
    if truth.tick_zero is not None:
        off = (tick - cycle + truth.tick_zero) % 65536
        assert off == 0, f"tick {tick} at cycle {cycle} is {off} off, modulo 65536"


def check_edges(records: Sequence[Record], truth: Truth, *, leading: int = 1) -> None:
    """Each stamp is the true one, and none is missing or too many.

    A stamp is that of the first tick at or after its edge: where a tick is several cycles, rounded up by less than one.
    Rounding of the stimulus is always the same, since what makes it counts with what looks.

    Args:
        records: of one run, the only one of its rig; without those of time marks and of what was lost, too.
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
    assert set(errors_of(stamped, edges, origin, truth)) == {0}
    for kind, level in ((RISE, 1), (FALL, 0)):
        late = errors_of(values(found, kind), truth.cycles("response", level), origin, truth)
        # The stimulus that is the origin was itself rounded up, by any number of cycles below a tick.
        roundings = [range(-first, truth.cycles_per_tick - first) for first in range(truth.cycles_per_tick)]
        assert any(set(late) <= set(rounding) for rounding in roundings), set(late)


def check_stamps(records: Sequence[Record], truth: Truth, *, leading: int = 1) -> None:
    """Every edge has its true stamp, nothing was lost on the way, and time marks stand at both ends.

    Args:
        records, truth, leading: as for `check_edges`.
    """
    check_edges(records, truth, leading=leading)
    stamped = values(list(records), STIMULUS)
    check_timer(stamped[0], truth.cycles("stimulus", leading)[-len(stamped)], truth)
    assert not CAPTURE_NOISE & {kind for kind, _ in records}
    assert truth.overruns == 0
    assert records[0][0] == records[-1][0] == TIME_MARK


def check_width(truth: Truth, width_ticks: int, *, leading: int = 1) -> None:
    """No pulse was stretched or cut: one that misses its trailing compare lasts until the timer comes round again."""
    starts, ends = truth.cycles("stimulus", leading), truth.cycles("stimulus", 1 - leading)
    if leading == 0:
        ends = [end for end in ends if end > starts[0]]  # going to the idle level is none of a pulse
    assert {end - start for start, end in zip(starts, ends, strict=True)} == {width_ticks * truth.cycles_per_tick}


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


def check_order(records: Sequence[Record], tick_hz: int) -> None:
    """Records are out of order by less than 1 ms, and a time mark comes at least each second."""
    origin = records[0][1]
    latest = 0
    for kind, value in records:
        if kind == LOST:
            continue
        at = (value - origin) % WRAP
        at = at - WRAP if at > WRAP // 2 else at
        assert at > latest - tick_hz // 1_000, (kind, value)
        latest = max(latest, at)
    marks = unwrapped(values(list(records), TIME_MARK), origin)
    assert all(later - earlier <= tick_hz for earlier, later in pairwise(marks))


def measured(rig: AnyRig, *settings: str) -> list[Record]:
    """Runs READ? with settings on a fresh connection and returns its records; the error queue must stay empty."""
    with Client(rig.port) as client:
        client.set("*RST", *settings, "OUTP ON")
        records = client.read()
        if errors := client.errors():
            raise RigError(f"the run queued {errors}")
        return records
