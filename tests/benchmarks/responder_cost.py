"""What each habit of the hot loop buys, in counted instructions: the loop with one thing changed, beside C.

Run: .venv/bin/python -m tests.benchmarks.responder_cost [--json PATH]      (boots the virtual board)

Every variant answers the same stimuli on the virtual board, whose clock counts instructions, so the figures repeat and
the load on this computer does not matter. They say which of two ways needs less; a real board's caches and pipelines
weigh them differently. C is the same system calls without an interpreter.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import select
import subprocess
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from tests.virtual_bench.bench import STIMULI
from tests.virtual_bench.own_program import WAIT_S
from tests.virtual_bench.test_bars import emit, medians
from tests.virtual_board import VirtualBoard
from tests.virtual_board.platforms import KERNELS
from tests.virtual_board.responding import responding

SCRIPT = Path(__file__).parents[1] / "virtual_bench" / "guest" / "loop_variants.py"
VARIANTS = {
    "shipped": "as the agent does it",
    "bytes": "the level as bytes, which the interpreter copies and returns",
    "copied": "the level in a buffer so short that the interpreter copies it and gives up its lock",
    "lambda": "a Python function around the call",
    "ctypes": "the C library called through ctypes",
    "read-into": "the event read into a buffer made beforehand",
    "read-many": "room for 64 events in each read",
    "poll-first": "a poll that sleeps, then the read",
    "decode-first": "the event taken apart before the answer",
    "clock-later": "no stamp between waking and writing",
    "globals": "names looked up in modules each time",
    "collector": "the garbage collector on",
}


@contextlib.contextmanager
def variant(board: VirtualBoard, name: str) -> Iterator[subprocess.Popen[bytes]]:
    """The script on the board, ready to answer."""
    words = f"exec python3 -I /tmp/loop_variants.py {name} EYE_IN REJECT_OUT {STIMULI} {int(WAIT_S)}"
    with subprocess.Popen(board.ssh_command(words), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            assert process.stderr is not None
            said = process.stderr.readline() if select.select([process.stderr], [], [], WAIT_S)[0] else b"nothing"
            if said != b"ready\n":
                raise SystemExit(f"{name}: {said.decode()}{process.stderr.read().decode()}")
            yield process
        finally:
            process.kill()


def results(board: VirtualBoard, names: Sequence[str] = tuple(VARIANTS)) -> dict[str, dict[str, int]]:
    """Median counted ns from edge to wake, wake to set, and edge to set, by variant; "C" is the floor."""
    board.run("cat > /tmp/loop_variants.py", 30, stdin=SCRIPT.read_text(encoding="utf-8"))
    with responding(board, STIMULI, WAIT_S) as responder:
        emit(board)
        stamps = responder.stamps()
    found = {"C": medians(stamps.edge, stamps.wake, stamps.set)}
    for name in names:
        with variant(board, name) as process:
            emit(board)
            out, _ = process.communicate(timeout=WAIT_S)
        rows = np.array([line.split() for line in out.decode().splitlines()], np.int64)
        found[name] = medians(rows[:, 0], rows[:, 1], rows[:, 2])
    return found


def lines(found: dict[str, dict[str, int]]) -> list[str]:
    """The table."""
    floor = found["C"]["edge to set"]
    head = f"{'':<14}{'edge to wake':>14}{'wake to set':>14}{'edge to set':>14}{'times C':>9}"
    body = [
        f"{name:<14}{row['wake']:>14,}{row['set']:>14,}{row['edge to set']:>14,}{row['edge to set'] / floor:>9.2f}"
        f"  {VARIANTS.get(name, 'the same calls without an interpreter')}"
        for name, row in found.items()
    ]
    return [head, *body]


def main() -> None:
    """Boot, measure, print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.responder_cost")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    parser.add_argument("--kernel", choices=KERNELS, default="plain", help="which virtual board")
    parser.add_argument("--only", default=",".join(VARIANTS), help="variants, separated by commas")
    options = parser.parse_args()
    print(f"virtual board ({options.kernel}), ns of counted time: ratios only")
    with VirtualBoard(options.kernel, icount=True) as board:
        found = results(board, options.only.split(","))
    print("\n".join(lines(found)))
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
