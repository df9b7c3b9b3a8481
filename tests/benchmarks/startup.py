"""How long the command line takes to say its help, against importing its parser alone. Goal: at most 1.3 times as long.

python -m tests.benchmarks.startup [repeats]
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

REPEATS = 15
GOAL = 1.3
COMMANDS = {
    "help": [sys.executable, "-m", "edgereply", "--help"],
    "parser": [sys.executable, "-c", "import typer"],
}


def once(command: list[str]) -> tuple[float, float]:
    """Wall and processor seconds of one process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    start = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    wall = time.perf_counter() - start
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return wall, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def results(repeats: int = REPEATS) -> dict[str, float]:
    """Medians of alternating starts, in seconds, and their ratios."""
    for command in COMMANDS.values():
        once(command)
    taken: dict[str, list[tuple[float, float]]] = {name: [] for name in COMMANDS}
    for _ in range(repeats):
        for name, command in COMMANDS.items():
            taken[name].append(once(command))
    medians = {
        f"{name}_{kind}_s": sorted(pair[index] for pair in pairs)[repeats // 2]
        for name, pairs in taken.items()
        for index, kind in enumerate(("wall", "processor"))
    }
    ratios = {
        f"{kind}_ratio": medians[f"help_{kind}_s"] / medians[f"parser_{kind}_s"] for kind in ("wall", "processor")
    }
    return medians | ratios


def lines(found: dict[str, float]) -> list[str]:
    """For people."""
    return [
        f"edgereply --help: {found['wall_ratio']:.2f} times 'import typer' ({1e3 * found['help_wall_s']:.0f} ms; "
        f"{found['processor_ratio']:.2f} times in processor time); goal at most {GOAL:g}"
    ]


if __name__ == "__main__":
    print("\n".join(lines(results(int(sys.argv[1]) if len(sys.argv) > 1 else REPEATS))))
