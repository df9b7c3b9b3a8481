"""The floor responder on a real kernel: what the kernel costs apart from Python, in counted instructions."""

from __future__ import annotations

import subprocess
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from tests.integration.commands import explained
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_board.platforms import PLATFORMS

pytestmark = pytest.mark.virtual_board
SOURCE = Path(__file__).parents[2] / "agent" / "edgereply_agent" / "floor.c"
ON_BOARD = "/tmp/edgereply-floor"
COUNT = 60
SETTING = f'floor_program = "{ON_BOARD}"'


def bring(bench: VirtualBench, folder: Path) -> None:
    """Build it on the laptop and copy it, as the message about a missing compiler says."""
    built = folder / "floor"
    compiler = f"{PLATFORMS[bench.board.kernel].cross}gcc"
    subprocess.run([compiler, "-O2", "-static", "-o", str(built), str(SOURCE)], check=True, timeout=120)
    command = f"cat > {ON_BOARD}.new && mv {ON_BOARD}.new {ON_BOARD}"
    bench.board.run_bytes(command, 60, stdin=built.read_bytes())


def test_a_board_without_compiler_says_what_to_do(bench: VirtualBench) -> None:
    explained(
        bench.run("measure", "--no-wiring", "--responder", "floor"), 2,
        "there is none of cc, gcc, clang, tcc", "apt-get install gcc", "floor_program",
    )  # fmt: skip


def segments(bench: VirtualBench, wait: str, responder: str) -> dict[str, int]:
    """Measure one condition; medians in counted ns."""
    name = f"{wait}-{responder}"
    done = bench.run("measure", "--json", "--no-wiring", "--wait", wait, "--responder", responder, "--out", name)
    assert done.code == 0, done.err
    record, stamps = bench.reader(name).record, bench.reader(name).board()
    assert (record.in_effect["responder"], record.counts["responses"]) == (responder, COUNT)
    assert record.evidence == "joined"
    assert stamps.edge_ns.size == COUNT
    for earlier, later in pairwise((stamps.edge_ns, stamps.wake_ns, stamps.set_ns, stamps.clear_ns)):
        assert (earlier < later).all()
    return {
        "wake delay": int(np.median(stamps.wake_ns - stamps.edge_ns)),
        "set time": int(np.median(stamps.set_ns - stamps.wake_ns)),
        "edge to set": int(np.median(stamps.set_ns - stamps.edge_ns)),
    }


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_the_floor_is_below_the_agent(bench: VirtualBench, tmp_path: Path, wait: str) -> None:
    bring(bench, tmp_path)
    realtime = "realtime = { fifo_priority = 50, lock_memory = true }" if wait == "block" else ""
    bench.write(board=f"{SETTING}\n{realtime}", root=True, count=COUNT)
    agent, floor = (segments(bench, wait, responder) for responder in ("agent", "floor"))
    print(f"\n{wait}, counted ns, medians: agent {agent}, floor {floor}")
    assert floor["set time"] < agent["set time"]
    assert floor["edge to set"] < agent["edge to set"]
    record = bench.reader(f"{wait}-floor").record
    assert record.in_effect["floor"]["program"] == ON_BOARD
    if wait == "block":
        assert record.in_effect["realtime"]["fifo_priority"] == 50
        assert record.in_effect["realtime"]["lock_memory"] is True
    told = bench.run("compare", "--json", f"{wait}-agent", f"{wait}-floor").document
    assert told["differences"]["language"] == {"managed (Python)": ["A"], "native (C)": ["B"]}
    assert told["differences"]["responder"] == {"agent": ["A"], "floor": ["B"]}
