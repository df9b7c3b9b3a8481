"""All benchmarks of the tool itself as one table.

python -m tests.benchmarks [--quick] [--json PATH] [--against PATH] [--last PATH]

Compare ratios, not seconds: both sides of each were taken in one run on one computer. With `--against`, the ratios of
an earlier `--json` stand beside those of this run; `--last` compares with what it left there itself, and leaves this
run's. The other modules here print longer tables of their own.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from tests.benchmarks import at_once, large_run, pairing, receive_cost, soak, startup, stream_rate, summary_ratio


def ratios(found: Any, path: str = "") -> Iterator[tuple[str, float]]:
    """All figures whose name says that they are ratios, by where they stand; others depend on the computer's mood."""
    pairs = found.items() if isinstance(found, dict) else enumerate(found) if isinstance(found, list) else ()
    for key, value in pairs:
        name = f"{path}.{key}" if path else str(key)
        if isinstance(value, float) and str(key).endswith("ratio"):
            yield name, value
        else:
            yield from ratios(value, name)


def main() -> None:
    """Run them all, one after the other."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks", description="Benchmarks of edgereply itself.")
    parser.add_argument("--quick", action="store_true", help="a tenth of the repeats, stimuli and seconds")
    parser.add_argument("--json", type=Path, metavar="PATH", help="write the figures there as well")
    parser.add_argument("--against", type=Path, metavar="PATH", help="show what became of an earlier run's ratios")
    parser.add_argument("--last", type=Path, metavar="PATH", help="compare with what is there, then write it anew")
    options = parser.parse_args()
    earlier = options.against or (options.last if options.last is not None and options.last.exists() else None)
    before = {} if earlier is None else dict(ratios(json.loads(earlier.read_text(encoding="utf-8"))))
    quick = options.quick
    table: dict[str, tuple[Callable[[], Any], Callable[[Any], list[str]]]] = {
        "start": (lambda: startup.results(3 if quick else startup.REPEATS), startup.lines),
        "at once": (lambda: at_once.results(8_000, 1) if quick else at_once.results(), at_once.lines),
        "large": (lambda: large_run.results(1_000_000 if quick else large_run.STIMULI), large_run.lines),
        "summary": (lambda: summary_ratio.results(100_000 if quick else 1_000_000), summary_ratio.lines),
        "stream": (lambda: stream_rate.results(1.0 if quick else 5.0), stream_rate.lines),
        "receive": (lambda: receive_cost.results(100_000 if quick else 1_000_000), receive_cost.lines),
        "pairing": (lambda: pairing.results(1_000_000 if quick else 10_000_000), pairing.lines),
        "soak": (lambda: soak.results(20_000 if quick else 200_000, 4_000, 0.1 if quick else 0.5), soak.lines),
    }
    python, load = platform.python_version(), os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} processors, Python {python}, load {load:.1f}")
    found = {}
    for name, (work, lines) in table.items():
        found[name] = work()
        for line in lines(found[name]):
            print(f"{name:<8} {line}", flush=True)
    for name, now in ratios(found):
        if name in before:
            print(f"{name}: {before[name]:.3g} before, {now:.3g} now ({100 * (now / before[name] - 1):+.0f} %)")
    for path in (options.json, options.last):
        if path is not None:
            path.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
