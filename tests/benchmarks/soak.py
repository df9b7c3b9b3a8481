"""Whether a long run leaks: memory and open files of every process of the bench, and whether its figures drift.

python -m tests.benchmarks.soak [--stimuli 3600000] [--rate 5000] [--every 2]

The bench is virtual and all on this computer: host, pulse source, and the agent's session, responder and keeper. Two
hours at 500/s are 3,600,000 stimuli; a higher rate brings them sooner. What is committed to the disk is let go, so no
size may follow the number of stimuli. Sizes are proportional ones: pages that forked processes share count once. The
first tenth is left out, since first blocks load code.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from tests.benchmarks.stream_rate import BENCH

from edgereply.analysis.arrays.presence import present
from edgereply.evaluation.load_view import evaluate_run
from edgereply.storage.run_reader import RunReader

PARTS = 10
END_S = 900.0
LEAST_READINGS = 20


@dataclass
class Sizes:
    """Readings of one process: proportional size in KiB and open files."""

    name: str
    kib: list[int] = field(default_factory=list)
    files: list[int] = field(default_factory=list)


def family(pid: int) -> Iterator[int]:
    """A process and all that descend from it."""
    yield pid
    with contextlib.suppress(OSError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                yield from family(int(child))


def read_sizes(root: int, seen: dict[int, Sizes]) -> None:
    """Add a reading of every process there is; one that ends meanwhile is left as it was."""
    for pid in family(root):
        with contextlib.suppress(OSError, StopIteration):
            rollup = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
            kib = next(int(line.split()[1]) for line in rollup if line.startswith("Pss:"))
            files = len(list(Path(f"/proc/{pid}/fd").iterdir()))
            words = Path(f"/proc/{pid}/cmdline").read_text().split("\0")[1:4]
            sizes = seen.setdefault(pid, Sizes(" ".join(Path(word).name for word in words)))
            sizes.kib.append(kib)
            sizes.files.append(files)


def growth(sizes: Sizes) -> dict[str, Any]:
    """Medians of the second, sixth and last tenth of the readings."""
    tenth = len(sizes.kib) // PARTS
    early, middle, late = (
        float(np.median(sizes.kib[part * tenth : (part + 1) * tenth])) for part in (1, PARTS // 2, PARTS - 1)
    )
    return {
        "process": sizes.name, "early_kib": early, "middle_kib": middle, "late_kib": late, "ratio": late / early,
        "second_half_ratio": late / middle, "files": (sizes.files[tenth], sizes.files[-1]),
    }  # fmt: skip


def drift(run: Path) -> dict[str, Any]:
    """Median reaction time of each tenth of the run, and what was lost in all."""
    reader = RunReader(run)
    reaction = present(evaluate_run(reader, None).reaction_ns)
    tenths = [float(np.median(part)) for part in np.array_split(reaction, PARTS)]
    losses = {name: reader.record.counts[name] for name in ("lost_records", "lost_edges", "unrecorded")}
    return {"stimuli": len(reader.source().edges()[0]), "medians_ns": tenths, "losses": losses}


def results(stimuli: int, rate: int, every_s: float) -> dict[str, Any]:
    """Measure, and read all sizes along the way."""
    with tempfile.TemporaryDirectory() as folder:
        bench, run, log = (Path(folder) / name for name in ("bench.toml", "run", "log"))
        bench.write_text(BENCH.format(rate=rate, floor="100us", count=stimuli))
        command = [sys.executable, "-m", "edgereply", "measure", "--bench", str(bench), "--json", "--out", str(run)]
        seen: dict[int, Sizes] = {}
        began = time.monotonic()
        with log.open("w") as said:
            process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=said, cwd=folder)
        while process.poll() is None and "evaluating" not in log.read_text():
            read_sizes(process.pid, seen)
            time.sleep(every_s)
        taken_s = time.monotonic() - began
        if process.wait(END_S):
            raise SystemExit(log.read_text()[-2000:])
        whole = [sizes for sizes in seen.values() if len(sizes.kib) >= LEAST_READINGS]
        return {"taken_s": taken_s, "processes": [growth(sizes) for sizes in whole], **drift(run)}


def lines(found: dict[str, Any]) -> list[str]:
    """For people."""
    held = found["stimuli"] / found["taken_s"]
    text = [f"{found['stimuli']:,} stimuli in {found['taken_s']:.0f} s ({held:,.0f}/s); lost: {found['losses']}"]
    for one in found["processes"]:
        early, late = one["early_kib"] / 1024, one["late_kib"] / 1024
        text.append(
            f"{one['process'][:36]:36} {early:7.1f} → {late:7.1f} MiB ({one['ratio']:.3f} times; second half "
            f"{one['second_half_ratio']:.3f}), open files {one['files'][0]} → {one['files'][1]}"
        )
    medians = " ".join(f"{one / 1e3:.1f}" for one in found["medians_ns"])
    return [*text, f"median reaction time by tenths of the run, µs: {medians}"]


def main() -> None:
    """Soak."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.soak", description=__doc__)
    parser.add_argument("--stimuli", type=int, default=3_600_000)
    parser.add_argument("--rate", type=int, default=5_000, help="stimuli a second")
    parser.add_argument("--every", type=float, default=2.0, help="seconds between readings")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    options = parser.parse_args()
    found = results(options.stimuli, options.rate, options.every)
    print("\n".join(lines(found)))
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
