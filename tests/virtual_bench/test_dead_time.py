"""Edges close together: who lost them is told, at a gap that is known, wherever on their way they are lost."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import numpy as np
import pytest

from edgereply.evaluation.lost_edges import LostEdges, lost_edges
from tests.virtual_bench.bench import STIMULI, VirtualBench
from tests.virtual_bench.own_program import plain_script
from tests.virtual_bench.test_observe import OBSERVE, WIRES

pytestmark = pytest.mark.virtual_board
DEAF_NS = 300_000
# Between the source's stamp of an edge and the wire's own look at the clock.
APART_NS = 3_000


@contextlib.contextmanager
def deaf_wire(bench: VirtualBench) -> Iterator[None]:
    """A wire that lets no second edge through so soon after another one, as a filter at the pin does."""
    place = "/sys/module/edgereply_bench/parameters/deaf_ns"
    bench.board.run(f"echo {DEAF_NS} > {place}", 30, root=True)
    try:
        yield
    finally:
        bench.board.run(f"echo 0 > {place}", 30, root=True)


def pairs(bench: VirtualBench, shortest: str, longest: str, count: int) -> LostEdges:
    """Measure pairs with gaps in between; the run is `run`."""
    gaps = f'pattern = "pairs"\nshortest_gap = "{shortest}"\nlongest_gap = "{longest}"'
    bench.write(rate="500/s", count=count, stimulus=gaps)
    done = bench.run("measure", "--json", "--no-wiring", "--out", "run")
    assert done.code == 0, done.err
    found = lost_edges(bench.reader().record)
    assert found is not None
    if found.sentence():
        assert f"caution: {found.sentence()}" in done.err
    return found


def gaps_of(bench: VirtualBench) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """The gaps that there really were, by the source's clock."""
    stimulus = np.sort(bench.reader().source().edges()[0])
    return np.asarray(np.diff(stimulus)[0::2])


def test_an_edge_that_a_filter_swallows_never_reached_the_kernel(bench: VirtualBench) -> None:
    with deaf_wire(bench):
        lost = pairs(bench, "100us", "900us", 300)
    gap = gaps_of(bench)
    assert len(gap) == 150
    swallowed, unsure = int((gap < DEAF_NS - APART_NS).sum()), int((np.abs(gap - DEAF_NS) <= APART_NS).sum())
    assert swallowed > 20
    assert lost.before_kernel is not None
    assert swallowed <= lost.before_kernel <= swallowed + unsure
    assert (lost.merged, lost.queue, lost.program) == (0, 0, 0)
    assert "never reached the kernel (no interrupt: pin, filter or controller)" in lost.sentence()
    told = bench.run("explain", "run", "--json").document
    assert told["edges"]["lost"]["before_kernel"] == lost.before_kernel
    steps = told["gaps"]["steps"]
    # A slow answer to the first edge comes after the second one was sent, and may be of both for all the source knows.
    assert sum(step["missed"] for step in steps) > 4 * sum(step["coalesced"] for step in steps)
    for step in steps:
        low, high = step["gap_ns"]
        if high < DEAF_NS - APART_NS:
            assert (step["answered"], step["missed"] + step["coalesced"]) == (0, step["pairs"])
        elif low > DEAF_NS + APART_NS:
            assert step["answered"] == step["pairs"]


def test_edges_closer_than_the_kernels_thread_merge_and_the_longer_gaps_do_not(bench: VirtualBench) -> None:
    lost = pairs(bench, "11us", "700us", 400)
    assert lost.merged
    assert (lost.queue, lost.program) == (0, 0)
    assert lost.before_kernel is not None
    rows = len(bench.reader().board().edge_ns)
    assert lost.before_kernel + lost.merged == 400 - rows
    assert "merged with another in the kernel's latch (no gap in the numbers)" in lost.sentence()
    steps = bench.run("explain", "run", "--json").document["gaps"]["steps"]
    # Every pair that left one row is one that was not answered, and the other way round.
    assert sum(step["pairs"] - step["answered"] for step in steps) == lost.before_kernel + lost.merged
    assert all(step["answered"] == step["pairs"] for step in steps if step["gap_ns"][0] > 100_000)


def test_events_that_the_program_leaves_unanswered_are_its_own(bench: VirtualBench) -> None:
    bench.board.wire(*WIRES)
    bench.write(board=f"{OBSERVE}\nhardware_clock = true", stimulus='floor = "2ms"')
    with plain_script(bench.board, STIMULI - 30) as script:
        done = bench.run("measure", "--json", "--no-wiring", "--out", "run")
        # It answers all that it has read at once, so it may end with one more than it was told.
        unanswered = STIMULI - len(script.stamps().set)
    assert done.code == 0, done.err
    assert 20 < unanswered <= 30
    lost = lost_edges(bench.reader().record)
    assert lost is not None
    assert (lost.before_kernel, lost.merged, lost.queue, lost.program) == (0, 0, 0, unanswered)
    assert f"{unanswered} not answered by the program, or on its own line" in lost.sentence()
    # This kernel has no such clock; what it says is told, and the run goes on with the stamps there are.
    asked = bench.reader().record.in_effect
    assert asked["hardware_clock"] == {"granted": False, "why": "Operation not supported"}
    assert "stamps of edges by a hardware clock were refused: Operation not supported" in done.err
