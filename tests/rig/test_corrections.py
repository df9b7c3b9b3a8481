"""The four faults of the simulator (1.6) that the rig corrects: each test passes only with its correction."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from tests.rig.build import probe
from tests.rig.client import Client
from tests.rig.rig import Rig
from tests.rig.truth import Truth

pytestmark = pytest.mark.rig

WAIT_S = 60.0
ENTRY_CYCLES = 4  # ATmega328P datasheet DS40002061, 7.7.1: response time, at least
VECTOR_JUMP_CYCLES = 3  # the same place


def run(name: str, without: tuple[str, ...], done: Callable[[Truth], bool]) -> Truth:
    """Runs a probe until the truth log shows that it is done."""
    deadline = time.monotonic() + WAIT_S
    with Rig(source=probe(name), without=without) as rig:
        while not done(truth := rig.truth()):
            assert time.monotonic() < deadline, truth
        return truth


def heard(name: str, without: tuple[str, ...], count: int) -> bytes:
    """What a probe sends."""
    with Rig(source=probe(name), without=without) as rig, Client(rig.port) as client:
        return client.exactly(count)


def pin_edges(without: tuple[str, ...]) -> list[int]:
    truth = run("compare", without, lambda truth: truth.now > 8 * 65_536)
    assert truth.tick_zero is not None
    return [(edge.cycle - truth.tick_zero) % 65_536 for edge in truth.edges if edge.signal == "stimulus"]


def test_the_output_changes_at_a_match_only() -> None:
    # A match on count n shows on the pin one cycle later; the count after 65535 is 0.
    assert pin_edges(()) == [1_001, 0]


def test_the_simulator_still_makes_false_output_edges() -> None:
    assert len(pin_edges(("compare",))) > 2


def test_clearing_one_flag_keeps_the_others() -> None:
    assert heard("flags", (), 1) == b"k"


def test_the_simulator_still_clears_all_flags() -> None:
    assert heard("flags", ("flags",), 1) == b"l"


def entry_delays(without: tuple[str, ...]) -> set[int]:
    return set(heard("entry", without, 40)[1:])


def test_entering_an_interrupt_takes_its_time() -> None:
    # The handler reads the count in the second cycle of LDS on the chip, in the first here.
    assert ENTRY_CYCLES + VECTOR_JUMP_CYCLES <= min(entry_delays(())) <= ENTRY_CYCLES + VECTOR_JUMP_CYCLES + 2


def test_the_simulator_still_enters_interrupts_in_no_time() -> None:
    assert min(entry_delays(("entry",))) < ENTRY_CYCLES + VECTOR_JUMP_CYCLES


def high_cycles(without: tuple[str, ...]) -> int:
    truth = run("pin_time", without, lambda truth: len(truth.cycles("port", 0)) == 1)
    return truth.cycles("port", 0)[0] - truth.cycles("port", 1)[0]


def test_a_pin_changes_at_the_end_of_its_instruction() -> None:
    assert high_cycles(()) == 2  # STS takes two cycles: AVR instruction set manual DS40002198


def test_the_simulator_still_changes_pins_at_the_start() -> None:
    assert high_cycles(("pin-time",)) == 1
