"""What it takes to reach a board: a bare `ssh HOST true` against our agent, there already, up to its hello.

Run: .venv/bin/python -m tests.benchmarks.deploy_ratio            (boots the virtual board)
     .venv/bin/python -m tests.benchmarks.deploy_ratio HOST       (a board of yours)
Prints the median of each over several turns, one after the other in each turn, and their ratio. The aim is 3 at most.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

from edgereply.board.bundle import build_bundle
from edgereply.board.client import BoardClient
from edgereply.board.ssh import start_over_ssh

TURNS = 5


def bare_s(host: str, config: str) -> float:
    """Seconds to log in and do nothing."""
    own = ["-F", config] if config else []
    started = time.perf_counter()
    subprocess.run(["ssh", *own, "--", host, "true"], check=True, timeout=60, stdin=subprocess.DEVNULL)
    return time.perf_counter() - started


def hello_s(host: str, config: str) -> float:
    """Seconds until the agent has said hello, copied before if need be; what follows is not counted."""
    started = time.perf_counter()
    client = BoardClient(start_over_ssh(host, build_bundle(), config=config))
    client.greet()
    taken = time.perf_counter() - started
    client.close()
    return taken


def compare(host: str, config: str) -> None:
    """Print medians and their ratio."""
    first = hello_s(host, config)
    bare, hello = [], []
    for _ in range(TURNS):
        bare.append(bare_s(host, config))
        hello.append(hello_s(host, config))
    print(f"first, with copying  {first * 1e3:8.0f} ms")
    for name, taken in (("ssh HOST true", bare), ("deploy and hello", hello)):
        print(f"{name:<20} {statistics.median(taken) * 1e3:8.0f} ms  ({min(taken):.2f} to {max(taken):.2f} s)")
    print(f"ratio of medians     {statistics.median(hello) / statistics.median(bare):8.2f}     (aim: 3 at most)")


def main() -> None:
    """Measure the board named on the command line, or the virtual one."""
    if len(sys.argv) > 1:
        compare(sys.argv[1], "")
        return
    from tests.virtual_board import VirtualBoard

    with VirtualBoard() as board:
        print("virtual board: absolute times say nothing about hardware")
        compare(board.host, str(board.ssh_config))


if __name__ == "__main__":
    main()
