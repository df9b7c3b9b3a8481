"""The highest rate each route answers without a miss, our responder beside the floor in C, all on one virtual board.

Run: .venv/bin/python -m tests.benchmarks.sustained_rate [--json PATH]      (boots the virtual board)

Each cell is a search by bisection as `edgereply sweep --saturation` does it. Rates are per second of the board's own
time, which counts instructions; the emulated pulse source runs on the same processor, so that they are lower than a
board would reach, and the ratio between the columns is what to look at.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Any

from tests.integration.commands import Workplace
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_bench.test_floor import SETTING, bring
from tests.virtual_board import VirtualBoard

SEARCH = "200/s to {most}/s"
PLAN = 'bench = "bench.toml"\ncount = {count}\n'
ROUTES = {"chardev": ("block", "spin")}


def limit(bench: VirtualBench, count: int, most: int) -> dict[str, Any]:
    """One search: what the command says of it."""
    (bench.place.root / "plan.toml").write_text(PLAN.format(count=count))
    done = bench.run("sweep", "plan.toml", "--saturation", SEARCH.format(most=most), "--json", "--out", "found")
    if done.code not in (0, 1):
        raise SystemExit(done.err[-2000:])
    return done.document


def main() -> None:
    """Search every cell and print a table."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.sustained_rate", description=__doc__)
    parser.add_argument("--count", type=int, default=1_000, help="stimuli a rate")
    parser.add_argument("--most", type=int, default=20_000, help="highest rate tried, a second")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write what the searches said there as well")
    options = parser.parse_args()
    found: dict[str, Any] = {}
    with VirtualBoard("plain", icount=True) as board:
        for route, waits in ROUTES.items():
            for wait in waits:
                for responder in ("agent", "floor"):
                    with tempfile.TemporaryDirectory() as folder:
                        bench = VirtualBench(board, Workplace(Path(folder)))
                        bench.write(board=f'route = "{route}"\nwait = "{wait}"\nresponder = "{responder}"\n{SETTING}')
                        bring(bench, Path(folder))
                        found[f"{route} {wait} {responder}"] = limit(bench, options.count, options.most)
                        print(
                            route, wait, responder, json.dumps(found[f"{route} {wait} {responder}"])[:1500], flush=True
                        )


if __name__ == "__main__":
    main()
