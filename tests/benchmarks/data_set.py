"""A year of runs as a data set: exporting 2,000 of them, adding one, and asking all of them a question.

python -m tests.benchmarks.data_set [runs] [stimuli]

A few runs are made from known stamps of both clocks and copied, each copy with a run id of its own. Times are processor
seconds of the whole command, so that a busy computer matters little; the memory is the most that it had at once.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.compare_many import make_runs

RUNS, STIMULI = 2_000, 1_000
MADE = 12
ASK = """
import duckdb
figures = '''SELECT board, count(*), count(reaction_ns), count_if(late), quantile_disc(reaction_ns, 0.99)
FROM read_parquet('data/answers/**/*.parquet', hive_partitioning = true, hive_types_autocast = false) GROUP BY board'''
print(duckdb.sql(figures).fetchall())
"""


def carried_out(command: Sequence[str], folder: Path) -> tuple[float, float]:
    """Run a command. Returns its processor seconds, its children's with them, and its most memory in MB."""
    child = os.fork()
    if not child:
        os.chdir(folder)
        os.execv(command[0], list(command))  # a command of this file
    _, status, used = os.wait4(child, 0)
    if status:
        raise RuntimeError(f"{' '.join(command)} failed")
    return used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def copied(folder: Path, made: Sequence[Path], number: int) -> None:
    """One more run: a copy under a name and a run id of its own."""
    place = folder / f"run-{number:04}"
    shutil.copytree(made[number % len(made)], place)
    record = json.loads((place / "run.json").read_text("utf-8"))
    (place / "run.json").write_text(json.dumps(record | {"run_id": f"copy-{number}"}), "utf-8")


def main() -> None:
    """Make the runs and print a line for each step."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.data_set")
    parser.add_argument("runs", nargs="?", type=int, default=RUNS)
    parser.add_argument("stimuli", nargs="?", type=int, default=STIMULI)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made = make_runs(folder / "made", MADE, options.stimuli)
        (folder / "runs").mkdir()
        for number in range(options.runs):
            copied(folder / "runs", made, number)
        export = [sys.executable, "-m", "edgereply", "export", "runs", "--to", "dataset", "-o", "data"]
        print(f"{options.runs:,} runs of {options.stimuli:,} stimuli", flush=True)
        for what, more in (("exported", 0), ("one more added", 1)):
            for number in range(options.runs, options.runs + more):
                copied(folder / "runs", made, number)
            seconds, megabytes = carried_out(export, folder)
            print(f"{what}: {seconds:.1f} s of processor time, {megabytes:.0f} MB at most", flush=True)
        seconds, megabytes = carried_out([sys.executable, "-c", ASK], folder)
        print(f"asked by DuckDB: {seconds:.1f} s of processor time, {megabytes:.0f} MB at most")


if __name__ == "__main__":
    main()
