"""What a slow and long run leaves on the disk, and what commands on it take.

    python -m tests.benchmarks.day_run [commits] [stimuli a commit] [repeats]

Makes a run in a temporary directory through `RunWriter`, commit by commit and without syncing the disk, then runs
commands on it and prints the median of their processor times. A day at 5/s with a commit each 5 s by default.
"""

from __future__ import annotations

import os
import stat
import statistics
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

import numpy as np
from tests.benchmarks.long_run import cost
from tests.fakes.records import run_record

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader
from edgereply.storage.run_record import RunRecord
from edgereply.storage.run_writer import RunWriter
from edgereply.storage.stamps import FALL, RISE, STIMULUS, BoardStamps

MEAN_NS, FLOOR_NS = 200_000_000, 20_000_000
ONE_IN_MISSED = 5_000
COMMANDS = {
    "verdict": ["verdict", "RUN"],
    "report": ["report", "RUN", "-o", "OUT.html"],
    "export": ["export", "RUN", "--to", "parquet", "-o", "OUT.parquet"],
    "export raw": ["export", "RUN", "--to", "parquet", "--what", "raw", "-o", "OUT.raw.parquet"],
    "bundle": ["bundle", "RUN", "-o", "OUT.zip"],
    "bundle --verify": ["bundle", "--verify", "OUT.zip"],
}
QUIETLY = ["/bin/sh", "-c", 'exec "$@" >"$0" 2>&1']


def a_record() -> RunRecord:
    """Of a virtual run with both clocks."""
    return run_record(title="reject gate, made up", evidence="joined", deadline_ns=2_000_000)


def write_day(directory: Path, commits: int, each: int) -> tuple[int, float]:
    """Write the run; returns bytes handed to the disk by all commits together, and processor seconds they took."""
    written = 0

    def counted(descriptor: int) -> None:
        nonlocal written
        found = os.fstat(descriptor)
        written += found.st_size if stat.S_ISREG(found.st_mode) else 0

    rng = np.random.default_rng(5)
    began, last = time.process_time(), 0
    with mock.patch("os.fsync", counted):
        writer = RunWriter(directory, a_record())
        for commit in range(commits):
            stimulus = last + np.cumsum(FLOOR_NS + rng.exponential(MEAN_NS - FLOOR_NS, each).astype(np.int64))
            last = int(stimulus[-1])
            wake = 30_000 + rng.gamma(2.0, 8_000.0, each).astype(np.int64)
            edge = stimulus + stimulus // 50_000 + 77_000_000_000
            answered = rng.random(each) >= 1 / ONE_IN_MISSED
            rise = (stimulus + wake + 15_000)[answered]
            times = np.concatenate([stimulus, rise, rise + 11_500])
            kinds = np.repeat(np.array([STIMULUS, RISE, FALL], np.uint8), [each, rise.size, rise.size])
            order = np.argsort(times, kind="stable")
            writer.add_source(kinds[order], times[order])
            seqno = np.arange(commit * each + 1, (commit + 1) * each + 1, dtype=np.uint32)
            high = np.where(answered, edge + wake + 9_000, NO_STAMP)
            low = np.where(answered, edge + wake + 20_500, NO_STAMP)
            writer.add_board(BoardStamps(edge, edge + wake, high, low, seqno, seqno))
            writer.commit()
        writer.finish("complete", "")
    taken = time.process_time() - began
    reader = RunReader(directory)
    result = evaluate_run(reader, reader.record.deadline_ns)
    changes = {"evidence": result.evidence, "counts": result.counts, "summary": result.summary(True) | {"context": {}}}
    writer.save(reader.record.model_copy(update=changes))
    return written, taken


def main(commits: int, each: int, repeats: int) -> None:
    """Make the run, run the commands, print."""
    with tempfile.TemporaryDirectory() as where:
        run = Path(where) / "run"
        written, taken = write_day(run, commits, each)
        parts = [path.stat().st_size for path in run.rglob("*.parquet")]
        print(
            f"{commits:,} commits of {each} stimuli: {len(parts):,} parts of {sum(parts) / 2**20:.1f} MiB together, "
            f"run.json {(run / 'run.json').stat().st_size:,} bytes; {written / 2**20:,.1f} MiB written by commits in "
            f"{taken:.1f} s of processor time",
            flush=True,
        )
        for name, words in COMMANDS.items():
            times, code, peak = [], 0, 0.0
            for _ in range(repeats):
                if "--verify" not in words:
                    Path(words[-1].replace("OUT", f"{where}/out")).unlink(missing_ok=True)
                place = {"RUN": str(run)}
                command = [place.get(word, word.replace("OUT", f"{where}/out")) for word in words]
                _, cpu, peak, code = cost([*QUIETLY, f"{where}/said", sys.executable, "-m", "edgereply", *command])
                times.append(cpu)
            print(
                f"{name}: {statistics.median(times):.1f} s of processor time, {peak:,.0f} MiB, exit code {code}",
                flush=True,
            )
            if code:
                print((Path(where) / "said").read_text()[-400:], flush=True)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    main(*[*given, *(17_280, 25, 3)[len(given) :]])
