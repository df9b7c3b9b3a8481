"""How much goes unanswered as stimuli come faster, our responder beside the floor in C, all on one virtual board.

Run: .venv/bin/python -m tests.benchmarks.sustained_rate [--json PATH]      (boots the virtual board)

One sweep: wait strategies, responders and rates in blocks of random order. Rates are per second of the board's own
time, which counts instructions. The emulated pulse source runs on the board's one processor as well and goes no faster
than 5,000/s: what is lost says little about hardware; the responders beside each other say what the interpreter adds.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections import Counter
from pathlib import Path

from tests.integration.commands import Workplace
from tests.virtual_bench.bench import VirtualBench
from tests.virtual_bench.test_floor import SETTING, bring
from tests.virtual_board import VirtualBoard

from edgereply.storage.run_reader import RunReader

PLAN = """
bench = "bench.toml"
repeats = {repeats}
count = {count}
[axes]
wait = ["block", "spin"]
responder = ["agent", "floor"]
rate = ["1000/s", "2500/s", "5000/s"]
"""
MOST_S = 3_600.0
KINDS = ("missed", "coalesced", "ambiguous", "lost_edges")
Cell = tuple[str, str, int]


def results(count: int, repeats: int) -> dict[Cell, Counter[str]]:
    """Counts over the repeats by (wait, responder, rate)."""
    found: dict[Cell, Counter[str]] = {}
    with VirtualBoard("plain", icount=True) as board, tempfile.TemporaryDirectory() as folder:
        bench = VirtualBench(board, Workplace(Path(folder)))
        bench.write(board=SETTING, stimulus='floor = "100us"')
        bring(bench, Path(folder))
        (Path(folder) / "plan.toml").write_text(PLAN.format(count=count, repeats=repeats))
        running = bench.start("sweep", "plan.toml", "--json", "--out", "series")
        running.process.wait(MOST_S)
        done = running.end()
        if done.code:
            raise SystemExit(done.err[-2000:])
        for path in sorted((Path(folder) / "series").glob("*/run.json")):
            record = RunReader(path.parent).record
            asked = record.requested["board"]
            cell = asked["wait"], asked["responder"], round(1e9 / record.requested["stimulus"]["rate"])
            found.setdefault(cell, Counter()).update({name: record.counts[name] for name in ("stimuli", *KINDS)})
    return found


def lines(found: dict[Cell, Counter[str]]) -> list[str]:
    """The table."""
    text = ["virtual: wait, responder, rate, stimuli, " + ", ".join(KINDS)]
    for (wait, responder, rate), counts in sorted(found.items(), key=lambda item: (item[0][0], item[0][2], item[0][1])):
        cells = "".join(f"{counts[name]:>11,}" for name in KINDS)
        text.append(f"{wait:6} {responder:6} {rate:>6,}/s {counts['stimuli']:>8,}{cells}")
    return text


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.sustained_rate", description=__doc__)
    parser.add_argument("--count", type=int, default=2_000, help="stimuli a block")
    parser.add_argument("--repeats", type=int, default=3, help="blocks of each condition")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the counts there as well")
    options = parser.parse_args()
    found = results(options.count, options.repeats)
    print("\n".join(lines(found)))
    if options.json is not None:
        table = [{"wait": w, "responder": r, "rate": rate, **counts} for (w, r, rate), counts in found.items()]
        options.json.write_text(json.dumps(table, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
