"""Whether the host's memory grows while it streams: resident size along a run at 2,000 stimuli/s.

python -m tests.benchmarks.steady_memory [seconds]

What is committed to the disk is let go, so the size must not follow the number of stimuli. The first tenth of the run
is left out: first blocks load code.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.benchmarks.stream_rate import BENCH, RATE


def resident_kib(pid: int) -> int:
    """Resident size of a process."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    return 0


def results(seconds: float = 60.0) -> dict[str, float]:
    """Resident sizes in KiB after a tenth, at half and at the end of the stimuli."""
    with tempfile.TemporaryDirectory() as folder:
        bench, run = Path(folder) / "bench.toml", Path(folder) / "run"
        bench.write_text(BENCH.format(rate=RATE, count=int(RATE * seconds)))
        command = [sys.executable, "-m", "edgereply", "measure", "--bench", str(bench), "--json", "--out", str(run)]
        with (Path(folder) / "log").open("w+") as log:
            process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=log, cwd=folder)
            seen: list[int] = []
            evaluating = False
            while process.poll() is None and not evaluating:
                time.sleep(0.1)
                evaluating = "evaluating" in (Path(folder) / "log").read_text()
                if (run / "run.json").exists() and not evaluating:
                    seen.append(resident_kib(process.pid))
            if process.wait(300):
                raise SystemExit((Path(folder) / "log").read_text())
    start, middle, end = (seen[int(share * (len(seen) - 1))] for share in (0.1, 0.5, 0.98))
    return {
        "stimuli": int(RATE * seconds),
        "start_kib": start,
        "middle_kib": middle,
        "end_kib": end,
        "most_kib": max(seen),
        "growth_ratio": end / start,
        "second_half_ratio": end / middle,
    }


def lines(found: dict[str, float]) -> list[str]:
    """For people."""
    return [
        f"host memory over {found['stimuli']:.0f} stimuli: {found['start_kib'] / 1024:.1f} MiB at the start, "
        f"{found['middle_kib'] / 1024:.1f} half way, {found['end_kib'] / 1024:.1f} at the end "
        f"({found['growth_ratio']:.3f} times; second half {found['second_half_ratio']:.3f} times)"
    ]


if __name__ == "__main__":
    print("\n".join(lines(results(float(sys.argv[1]) if len(sys.argv) > 1 else 60.0))))
