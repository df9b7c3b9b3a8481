"""Made-up run directories of any length, and what reading them costs.

    python -m tests.benchmarks.long_run [stimuli] [command ...]

Makes a run in a temporary directory, part by part, runs `edgereply verdict` on it (or the command given, RUN standing
for the directory), prints its time and its peak of memory, and removes the run again. 10 million stimuli by default.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from tests.fakes.records import run_record

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.storage.parquet_parts import board_table, source_table, write_part
from edgereply.storage.run_record import Part
from edgereply.storage.stamps import BoardStamps, SourceStamps
from edgereply.system.digest import sha256_of

PART_ROWS = 50_000
MEAN_NS, FLOOR_NS = 5_000_000, 1_000_000
TICK_NS, BUSY_NS = 4_000_000, 40_000
MISSED, SPURIOUS = 2e-6, 1e-6


def parts_of(stimuli: int, seed: int = 1) -> Iterator[tuple[SourceStamps, BoardStamps]]:
    """Exponential arrivals at 200/s, two clocks 20 ppm apart, about a hundredth held up by a tick each 4 ms.

    A few in a million are missed, and as few edges answer nothing.
    """
    rng = np.random.default_rng(seed)
    last, numbered = 0, 0
    for start in range(0, stimuli, PART_ROWS):
        count = min(PART_ROWS, stimuli - start)
        stimulus = last + np.cumsum(FLOOR_NS + rng.exponential(MEAN_NS - FLOOR_NS, count).astype(np.int64))
        last = int(stimulus[-1])
        wake = 30_000 + rng.gamma(2.0, 8_000.0, count).astype(np.int64)
        wake += np.where(stimulus % TICK_NS < BUSY_NS, rng.integers(50_000, 400_000, count), 0)
        answered = rng.random(count) >= MISSED
        rise = np.where(answered, stimulus + wake + 15_000, NO_STAMP)
        fall = np.where(answered, rise + 11_000 + rng.integers(0, 2_000, count), NO_STAMP)
        edge = (stimulus + stimulus // 50_000 + 77_000_000_000)[answered]
        late, held = wake[answered], rng.integers(10_500, 11_500, int(answered.sum()))
        seqno = np.arange(numbered + 1, numbered + 1 + edge.size, dtype=np.uint32)
        numbered += edge.size
        board = BoardStamps(edge, edge + late, edge + late + 9_000, edge + late + 9_000 + held, seqno, seqno)
        extra = stimulus[rng.random(count) < SPURIOUS] + 900_000
        place = np.searchsorted(stimulus, extra, side="right")
        with_extra = SourceStamps(
            np.insert(stimulus, place, NO_STAMP), np.insert(rise, place, extra), np.insert(fall, place, extra + 11_000)
        )
        yield with_extra, board


def made_up_run(directory: Path, stimuli: int, seed: int = 1) -> None:
    """Write a complete run, as `RunWriter` would have, but without syncing the disk at each part."""
    listed: list[Part] = []
    for folder in ("stamps", "board"):
        (directory / folder).mkdir(parents=True)
    for number, (source, board) in enumerate(parts_of(stimuli, seed)):
        for folder, table in (("stamps", source_table(source)), ("board", board_table(board))):
            path = directory / folder / f"part-{number:05}.parquet"
            write_part(table, path)
            listed.append(Part(file=f"{folder}/{path.name}", rows=table.num_rows, sha256=sha256_of(path)))
    record = run_record(
        title="reject gate, made up", evidence="joined", state="complete", deadline_ns=2_000_000, parts=listed
    )
    (directory / "run.json").write_text(record.model_dump_json(indent=1), encoding="utf-8")


def cost(command: list[str]) -> tuple[float, float, float, int]:
    """Run a command; wall seconds, processor seconds, peak MiB and exit code."""
    start = time.monotonic()
    pid = os.posix_spawn(command[0], command, dict(os.environ))
    _, status, used = os.wait4(pid, 0)
    code = os.waitstatus_to_exitcode(status)
    return time.monotonic() - start, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, code


def main(stimuli: int, words: list[str]) -> None:
    with tempfile.TemporaryDirectory() as where:
        run = Path(where) / "run"
        made_up_run(run, stimuli)
        size = sum(path.stat().st_size for path in run.rglob("*.parquet"))
        command = [str(run) if word == "RUN" else word for word in words]
        wall, cpu, peak, code = cost([sys.executable, "-m", "edgereply", *command])
    print(
        f"{' '.join(words)} of {stimuli:,} stimuli ({size / 2**20:,.0f} MiB of Parquet): {wall:.1f} s, "
        f"{cpu:.1f} s of processor time, {peak:,.0f} MiB at most, exit code {code}"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000, sys.argv[2:] or ["verdict", "RUN"])
