"""The responders of examples/responders on a real kernel, watched by the agent (virtual)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.benchmarks.runtime_cost import RESPONDERS, bring, measured
from tests.integration.commands import Workplace
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_board import VirtualBoard
from tests.virtual_board.runtimes import MEMORY_MB, runtimes

pytestmark = pytest.mark.virtual_board
COUNT, RECORDS = 40, 500


@pytest.fixture(scope="module")
def board() -> Iterator[VirtualBoard]:
    """A board of their own: some of the runtimes take a further disk and more memory."""
    with VirtualBoard("plain", icount=True, disks=[runtimes().disk], memory_mb=MEMORY_MB) as board:
        yield board


@pytest.fixture
def bench(board: VirtualBoard, place: Workplace) -> Iterator[VirtualBench]:
    bench = VirtualBench(board, place)
    yield bench
    bench.no_agent_left()
    assert bench.output_level() == "0"
    assert board.run("ls /sys/class/gpio", 30).split().count("export") == 1
    assert "gpio1" not in [name[:5] for name in board.run("ls /sys/class/gpio", 30).split()], "a line is still exported"


@pytest.mark.parametrize("name", RESPONDERS)
def test_it_answers_by_itself(bench: VirtualBench, tmp_path: Path, name: str) -> None:
    responder = RESPONDERS[name]
    records = RECORDS if responder.collected else 0
    # Who asks for the level misses what comes while its collector works or another has the processor: Node.js was seen
    # to answer 83 to 93 %, with a pause of 36 ms, ten stimuli, in each.
    count, least = (5 * COUNT, 0.75) if responder.asked else (COUNT, 0.9)
    found = measured(bench, bring(bench.board, responder, tmp_path), count, records)
    # Edges that come while the one processor is the agent's may merge; none is made up.
    assert sum(found.counts[kind] for kind in ("responses", "missed", "coalesced", "ambiguous")) == count
    assert found.counts["spurious"] == 0
    assert found.seen == count
    assert min(found.counts["responses"], found.answer_ns.size) >= least * count
    assert (found.answer_ns > 0).all()
    # Who sleeps until an edge has an interrupt for each; who asks for the level has none.
    assert found.interrupts == (-1 if responder.asked else count)
