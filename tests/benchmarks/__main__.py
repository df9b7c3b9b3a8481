"""All benchmarks of the tool itself as one table.

python -m tests.benchmarks [--quick] [--json PATH]

Compare ratios, not seconds: both sides of each were taken in one run on one computer. `pairing`,
`statistics_ratio` and `interval_coverage` here print longer tables of their own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.benchmarks import startup, steady_memory, stream_rate, summary_ratio


def main() -> None:
    """Run them all, one after the other."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description="Benchmarks of edgereply itself.")
    parser.add_argument("--quick", action="store_true", help="a tenth of the repeats, stimuli and seconds")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    options = parser.parse_args()
    quick = options.quick
    table: dict[str, tuple[Callable[[], Any], Callable[[Any], list[str]]]] = {
        "start": (lambda: startup.results(3 if quick else startup.REPEATS), startup.lines),
        "summary": (lambda: summary_ratio.results(100_000 if quick else 1_000_000), summary_ratio.lines),
        "stream": (lambda: stream_rate.results(1.0 if quick else 5.0), stream_rate.lines),
        "memory": (lambda: steady_memory.results(6.0 if quick else 60.0), steady_memory.lines),
    }
    python, load = platform.python_version(), os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} processors, Python {python}, load {load:.1f}")
    found = {}
    for name, (work, lines) in table.items():
        found[name] = work()
        for line in lines(found[name]):
            print(f"{name:<8} {line}", flush=True)
    if options.json is not None:
        options.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
