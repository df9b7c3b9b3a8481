"""Lines of a controller that exists as silicon too, by the kernel's own driver for it: ARM's PL061 (virtual)."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.config.settings import Bench
from edgereply.measurement.assembly import open_board
from edgereply.measurement.measure import OpenBench
from edgereply.storage.run_reader import RunReader
from tests.virtual_board import VirtualBoard
from tests.virtual_board.pins import PinSource

pytestmark = pytest.mark.virtual_board
CHIP, IN, OUT, CUT = "9030000.pl061", 1, 2, 5
COUNT = 40


@pytest.fixture(scope="module")
def board() -> Iterator[VirtualBoard]:
    """An arm64 board of its own: the emulator's test socket and counted time are not for each other."""
    with VirtualBoard("arm64", pins=True) as board:
        yield board


def bench_of(board: VirtualBoard) -> Bench:
    """The lines by the chip's label; the source is passed in, so its port is never opened."""
    lines = {"input": f"{CHIP}:{IN}", "output": f"{CHIP}:{OUT}"}
    reach = {"host": board.host, "ssh_config": str(board.ssh_config)}
    return parse_bench(
        {
            "deadline": "100ms",
            "board": {"gate": {**reach, **lines}},
            "source": {"kind": "reference", "port": "the machine's pins"},
            # Far apart beside the tens of milliseconds by which a crowded computer delays a stamp of this source.
            "stimulus": {"rate": "4/s", "count": COUNT, "width": "5ms", "pattern": "uniform", "spread": "60ms"},
        },
        "bench.toml",
    )


def test_the_kernels_own_driver_answers_and_the_wires_are_proved(board: VirtualBoard, tmp_path: Path) -> None:
    bench = bench_of(board)
    source = PinSource(board.ssh_config.parent, "pl061", IN, OUT)
    try:
        with open_board("gate", bench.board["gate"], typed=True) as client:
            (chip,) = (chip for chip in client.inspect()["chips"] if chip["label"] == CHIP)
            assert chip["lines"] == 8
            ready = OpenBench(bench, "gate", client, source, lambda _: None)
            ready.prove_wires()
            measured = ready.measure(bench, tmp_path / "run", lambda *_: None, [])
    finally:
        source.close()
    record = RunReader(measured.directory).record
    assert (record.state, record.evidence, record.virtual) == ("complete", "joined", True)
    counts = {name: record.counts[name] for name in ("stimuli", "responses", "joined", "missed", "spurious")}
    assert counts == {"stimuli": COUNT, "responses": COUNT, "joined": COUNT, "missed": 0, "spurious": 0}
    (interrupts,) = record.environment_after["during"]["line_interrupts"].values()
    assert interrupts == COUNT


def test_a_pin_that_leads_nowhere_is_told(board: VirtualBoard) -> None:
    bench = bench_of(board)
    source = PinSource(board.ssh_config.parent, "pl061", CUT, OUT)
    try:
        with open_board("gate", bench.board["gate"], typed=True) as client:
            ready = OpenBench(bench, "gate", client, source, lambda _: None)
            with pytest.raises(Exception, match="the wiring is not right"):
                ready.prove_wires()
    finally:
        source.close()
