"""Bars for what the agent's code costs, in counted instructions: the same edges, answered one after the other."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from edgereply.sources.base import StimulusPlan
from edgereply.sources.reference import ReferenceSource
from edgereply.storage.stamps import RISE
from tests.virtual_bench.bench import STIMULI, VirtualBench
from tests.virtual_bench.own_program import WAIT_S, plain_script
from tests.virtual_board import VirtualBoard
from tests.virtual_board.responding import responding

pytestmark = pytest.mark.virtual_board
PLAN = StimulusPlan(
    pattern="exponential", period_ns=10_000_000, width_ns=50_000, count=STIMULI, floor_ns=1_000_000, seed=1
)
Ints = npt.NDArray[np.int64]
# Python on the kernel's interface against C on it: interpreting costs something, this much at most.
MOST_TIMES_C = 2.0


def emit(board: VirtualBoard) -> None:
    """Send the plan; every stimulus is answered."""
    source = ReferenceSource(str(board.serial_port))
    try:
        source.arm(PLAN)
        source.start()
        answers, done = 0, False
        for _ in range(600):
            batch = source.read(0.5)
            if batch is not None:
                answers += int(np.count_nonzero(batch.kind == RISE))
                done = batch.done
            if done:
                break
        assert done
        assert answers == STIMULI, answers
    finally:
        source.close()


def medians(edge: Ints, wake: Ints, set_: Ints) -> dict[str, int]:
    """Median segments in ns."""
    assert edge.size == STIMULI
    return {
        "wake": int(np.median(wake - edge)),
        "set": int(np.median(set_ - wake)),
        "edge to set": int(np.median(set_ - edge)),
    }


def by_agent(bench: VirtualBench, route: str) -> dict[str, int]:
    done = bench.run("measure", "--json", "--no-wiring", "--route", route, "--out", route)
    assert done.code == 0, done.err
    stamps = bench.reader(route).board()
    return medians(stamps.edge_ns, stamps.wake_ns, stamps.set_ns)


def by_c(bench: VirtualBench) -> dict[str, int]:
    with responding(bench.board, STIMULI, WAIT_S) as responder:
        emit(bench.board)
        stamps = responder.stamps()
    return medians(stamps.edge, stamps.wake, stamps.set)


def by_plain_script(bench: VirtualBench) -> dict[str, int]:
    with plain_script(bench.board, STIMULI) as script:
        emit(bench.board)
        stamps = script.stamps()
    return medians(stamps.edge, stamps.wake, stamps.set)


def test_the_character_device_by_python_is_within_twice_of_c(bench: VirtualBench) -> None:
    ours, c = by_agent(bench, "chardev"), by_c(bench)
    ratio = ours["edge to set"] / c["edge to set"]
    print(f"\nchardev, counted ns: agent {ours}, C {c}, ratio {ratio:.2f} (at most {MOST_TIMES_C})")
    assert ratio <= MOST_TIMES_C


def test_the_package_gpiod_is_no_slower_in_the_agent_than_in_a_plain_script(bench: VirtualBench) -> None:
    ours, plain = by_agent(bench, "gpiod"), by_plain_script(bench)
    print(f"\ngpiod, counted ns: agent {ours}, plain script {plain}")
    assert ours["edge to set"] <= plain["edge to set"]
