"""The two bare-metal boards, measured end to end: source and board are two simulated chips in lock-step.

Expected orders of magnitude for the board with a pin-number library (about 7 us at best, 13 us at worst, a pulse of
about 4 us; the other about 1 us at best) are common practice on such boards, from memory, without a published source.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from dataclasses import dataclass, replace

import pytest

from edgereply.sources.reference import ReferenceSource
from tests.conformance.pulse_source import whole_run
from tests.conformance.reference_source import RANDOM, in_ticks
from tests.rig.checks import check_pulses, check_timer, errors_of, measured
from tests.rig.client import FALL_LOST, RISE, STIMULUS, Record, values
from tests.rig.firmware import Atmega328p
from tests.rig.rig import Rig
from tests.rig.truth import CYCLE_NS, WRAP, Truth

pytestmark = pytest.mark.rig

TICK_PERIOD = 16_384  # cycles between the board's timer interrupts
LEAST_ENTRY = 4 + 3  # ATmega328P datasheet DS40002061, 7.7.1: response time and the vector's jump
COUNT = 3_000


@dataclass(frozen=True, slots=True)
class Measured:
    stimuli: list[int]
    reactions: list[int]
    widths: list[int]
    falls_lost: int


def check_reactions(records: Sequence[Record], truth: Truth) -> None:
    """Stamps of stimuli and rises are the true ones; the board's pulse may be too short for that of its fall."""
    stimuli, edges = values(list(records), STIMULUS), truth.cycles("stimulus", 1)
    origin = stimuli[0], edges[0]
    assert set(errors_of(stimuli, edges, origin, truth)) == {0}
    assert set(errors_of(values(list(records), RISE), truth.cycles("response", 1), origin, truth)) == {0}


def measure(board: str, *settings: str) -> Measured:
    """Runs COUNT random stimuli; reactions from the source's own stamps, every stamp checked against the log."""
    with Rig(board=board) as rig:
        records = measured(rig, f"PULS:COUN {COUNT}", "PULS:ARR:SEED 20", *settings)
        truth = rig.truth()
    stimuli, rises = values(records, STIMULUS), values(records, RISE)
    true_rises, true_falls = truth.cycles("response", 1), truth.cycles("response", 0)
    check_timer(stimuli[0], truth.cycles("stimulus", 1)[0], truth)
    check_reactions(records, truth)
    assert len(rises) == COUNT
    check_pulses(records, true_rises, true_falls)
    return Measured(
        stimuli,
        [(rise - stimulus) % WRAP for stimulus, rise in zip(stimuli, rises, strict=True)],
        [fall - rise for rise, fall in zip(true_rises, true_falls, strict=True)],
        len(values(records, FALL_LOST)),
    )


def late_window(run: Measured, limit: int) -> tuple[float, int]:
    """Share of late answers, and the length of the shortest arc of the tick period that holds all of them."""
    late = sorted(s % TICK_PERIOD for s, r in zip(run.stimuli, run.reactions, strict=True) if r > limit)
    gaps = [b - a for a, b in zip(late, [*late[1:], late[0] + TICK_PERIOD], strict=True)]
    return len(late) / len(run.stimuli), TICK_PERIOD - max(gaps)


def test_the_board_with_a_pin_library() -> None:
    run = measure("lookup")
    best, worst = min(run.reactions) * CYCLE_NS, max(run.reactions) * CYCLE_NS
    print(f"best {best / 1000:.2f} us, worst {worst / 1000:.2f} us, pulse {min(run.widths) * CYCLE_NS / 1000:.2f} us")
    assert 3_500 < best < 14_000
    assert 1.3 * best < worst < 26_000
    assert 2_000 < min(run.widths) * CYCLE_NS < 8_500
    assert min(run.reactions) >= LEAST_ENTRY


def test_its_late_answers_lie_in_one_window_of_its_timer_tick() -> None:
    run = measure("lookup")
    usual = sorted(run.reactions)[COUNT // 2]
    share, arc = late_window(run, usual + 8)
    print(f"{100 * share:.2f} % late, within {arc} of {TICK_PERIOD} cycles")
    # The tick's interrupt runs for somewhat under 100 cycles of each 16384: 0.6 % of random stimuli meet it.
    assert 0.001 < share < 0.015
    assert arc < 150


def test_periodic_stimuli_at_the_ticks_own_period_never_see_what_random_ones_find() -> None:
    """Why arrivals are random: 1.024 ms is the board's tick, so every stimulus meets the same moment of it."""
    run = measure("lookup", "PULS:ARR PER", "PULS:PER 1.024 MS")
    assert max(run.reactions) - min(run.reactions) <= 8
    found = measure("lookup").reactions
    assert max(found) - min(found) > 60


def test_the_board_that_writes_the_port_is_too_quick_to_time_its_pulse() -> None:
    """Its pulse of two cycles is shorter than the capture's turning round: reactions are true, falls are said lost."""
    run = measure("direct")
    best, worst = min(run.reactions) * CYCLE_NS, max(run.reactions) * CYCLE_NS
    print(f"best {best / 1000:.2f} us, worst {worst / 1000:.2f} us")
    assert LEAST_ENTRY * CYCLE_NS < best < 2_200
    assert worst > best + 1_000
    assert set(run.widths) == {2}
    assert run.falls_lost == COUNT


def test_the_host_reads_the_boards_true_reactions() -> None:
    plan = replace(RANDOM, period_ns=3_000_000, count=1_000)
    with Rig(board="lookup") as rig:
        with contextlib.closing(ReferenceSource(rig.port)) as source:
            batch = whole_run(source, plan)
        truth = rig.truth()
    assert batch.lost == 0
    records = in_ticks(batch, Atmega328p.tick_hz)
    assert len(values(records, STIMULUS)) == len(values(records, RISE)) == plan.count
    check_reactions(records, truth)
