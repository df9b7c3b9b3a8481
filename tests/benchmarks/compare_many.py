"""Comparing very many finished runs: `edgereply compare` on 200 run directories of 10,000 stimuli.

python -m tests.benchmarks.compare_many [runs] [stimuli] [--keep DIRECTORY]

The runs are made from known stamps of both clocks, in five levels and with clustered late answers in every third. The
goal is five seconds from the command's start to its end. `--keep` leaves the runs there, and takes those that are.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from tests.fakes.records import run_record

from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import SourceRecord
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import BoardStamps

RUNS, STIMULI = 200, 10_000
GOAL_S = 5.0
REPEATS = 5
WIDTH_NS, HOLD_NS = 50_000, 4_000


def main() -> None:
    """Make the runs, compare them some times, print the median."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.compare_many")
    parser.add_argument("runs", nargs="?", type=int, default=RUNS)
    parser.add_argument("stimuli", nargs="?", type=int, default=STIMULI)
    parser.add_argument("--keep", type=Path, metavar="DIRECTORY")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        directory = options.keep or Path(folder)
        places = make_runs(directory, options.runs, options.stimuli)
        command = [sys.executable, "-m", "edgereply", "compare", "--json", *map(str, places)]
        taken = []
        for _ in range(REPEATS):
            start = time.perf_counter()
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=600)
            taken.append(time.perf_counter() - start)
    middle = sorted(taken)[REPEATS // 2]
    print(f"compare of {options.runs} runs of {options.stimuli:,} stimuli: {middle:.1f} s, median of {REPEATS}; "
          f"goal {GOAL_S:g} s")  # fmt: skip


def make_runs(directory: Path, runs: int, stimuli: int) -> list[Path]:
    """Write the run directories that are not there yet."""
    places = [directory / f"run-{number:03}" for number in range(runs)]
    for number, place in enumerate(places):
        if not (place / "run.json").is_file():
            _make_run(place, number, stimuli)
    return places


def _make_run(place: Path, number: int, stimuli: int) -> None:
    rng = np.random.default_rng([number, stimuli])
    stimulus = np.cumsum(1_000_000 + rng.exponential(2e6, stimuli).astype(np.int64))
    wake = 20_000 + 400 * (number % 5) + rng.gamma(2.0, 6_000.0, stimuli).astype(np.int64)
    if number % 3 == 0:
        wake += np.repeat(rng.random(stimuli // 50 + 1) < 0.02, 50)[:stimuli] * 400_000
    edge = stimulus + (stimulus * 2e-5).astype(np.int64) + 77_000_000_000
    high = edge + wake + 9_000
    rise = stimulus + wake + 15_000
    answered = rng.random(stimuli) > 1e-3
    record = run_record(
        run_id=f"made-{number}", evidence="joined", deadline_ns=2_000_000,
        requested={"board": {"route": "chardev", "wait": "block"}},
        source=SourceRecord(kind="virtual", tick_hz=1_000_000_000, plan={"width_ns": WIDTH_NS}),
    )  # fmt: skip
    writer = RunWriter(place, record)
    times = np.concatenate([stimulus, rise[answered], rise[answered] + WIDTH_NS])
    kinds = np.repeat(np.array([1, 2, 3], np.uint8), [stimuli, answered.sum(), answered.sum()])
    order = np.argsort(times, kind="stable")
    writer.add_source(kinds[order], times[order])
    sequence = np.arange(1, answered.sum() + 1, dtype=np.uint32)
    edge, woken, high, low = (column[answered] for column in (edge, edge + wake, high, high + HOLD_NS))
    writer.add_board(BoardStamps(edge, woken, high, low, sequence, sequence))
    writer.finish("complete", "")
    result = evaluate_run(RunReader(place), record.deadline_ns)
    assert result.evidence == "joined"
    changes = {"counts": result.counts, "summary": result.summary(virtual=True)}
    writer.save(writer.record.model_copy(update=changes))


if __name__ == "__main__":
    main()
