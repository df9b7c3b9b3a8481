from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.integration.commands import Workplace
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_board import VirtualBoard
from tests.virtual_board.fixtures import _booted, icount_board, rt_icount_board

__all__ = ["_booted", "icount_board", "rt_icount_board"]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    """A place for commands; nothing may be left running or lying about."""
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()


@pytest.fixture
def bench(icount_board: VirtualBoard, place: Workplace) -> Iterator[VirtualBench]:
    """The bench on Debian's kernel; whatever happens, no agent stays on the board and its output is low."""
    bench = VirtualBench(icount_board, place)
    bench.write()
    yield bench
    bench.no_agent_left()
    assert bench.output_level() == "0"


@pytest.fixture
def rt_bench(rt_icount_board: VirtualBoard, place: Workplace) -> Iterator[VirtualBench]:
    """As `bench`, on the PREEMPT_RT kernel."""
    bench = VirtualBench(rt_icount_board, place)
    bench.write()
    yield bench
    bench.no_agent_left()
    assert bench.output_level() == "0"
