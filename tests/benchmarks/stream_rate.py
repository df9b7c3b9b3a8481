"""Whether the tool itself loses anything at 2,000 stimuli/s on software wires.

python -m tests.benchmarks.stream_rate [seconds]
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from edgereply.storage.run_reader import RunReader

RATE = 2_000
BENCH = """
[board.gate]
link = "local"
route = "virtual"
[stimulus]
rate = "{rate}/s"
floor = "{floor}"
count = {count}
"""


def measure(seconds: float, wait: str, rate: int = RATE) -> dict[str, Any]:
    """One run by the real command line; the record's counts and how many edges the board answered."""
    with tempfile.TemporaryDirectory() as folder:
        bench, run = Path(folder) / "bench.toml", Path(folder) / "run"
        bench.write_text(BENCH.format(rate=rate, floor="200us", count=int(rate * seconds)))
        command = [sys.executable, "-m", "edgereply", "measure", "--bench", str(bench), "--wait", wait, "--json"]
        done = subprocess.run(
            [*command, "--out", str(run)], capture_output=True, text=True, timeout=120 + 2 * seconds, cwd=folder
        )
        if done.returncode:
            raise SystemExit(done.stderr)
        reader = RunReader(run)
        stimuli = reader.source().edges()[0]
        held = (len(stimuli) - 1) / (int(stimuli[-1] - stimuli[0]) * 1e-9)
        return {
            "stimuli": len(stimuli),
            "held_per_s": round(held, 1),
            "answered": len(reader.board().edge_ns),
            **{name: reader.record.counts[name] for name in ("lost_records", "lost_edges", "unrecorded")},
            "median_ns": json.loads(done.stdout)["reaction"]["median_ns"],
        }


def results(seconds: float = 5.0) -> dict[str, dict[str, Any]]:
    """By wait strategy."""
    return {wait: measure(seconds, wait) for wait in ("block", "spin")}


def lines(found: dict[str, dict[str, Any]]) -> list[str]:
    """For people."""
    text = []
    for wait, run in found.items():
        lost = run["lost_records"] + run["lost_edges"] + run["unrecorded"] + run["stimuli"] - run["answered"]
        text.append(
            f"{RATE}/s, {wait}: {run['stimuli']} stimuli at {run['held_per_s']}/s, {run['answered']} answered and "
            f"recorded, {run['lost_records']} records, {run['lost_edges']} edges, {run['unrecorded']} rows lost; "
            f"lost by the tool: {lost}"
        )
    return text


if __name__ == "__main__":
    print("\n".join(lines(results(float(sys.argv[1]) if len(sys.argv) > 1 else 5.0))))
