"""What commands on a finished run take beyond importing the libraries that hold it.

    python -m tests.benchmarks.at_once [answers] [repeats]

Processor time, medians of alternating processes, as ratios to that of `import numpy, pyarrow` in the same minutes: a
crowded computer raises both. Two runs of 100,000 answers by default.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

from tests.benchmarks.day_run import QUIETLY
from tests.benchmarks.long_run import cost, made_up_run

ANSWERS, REPEATS = 100_000, 5
IMPORTS = [sys.executable, "-c", "import numpy, pyarrow"]
COMMANDS = {
    "verdict": ["verdict", "RUN"],
    "explain": ["explain", "RUN"],
    "compare": ["compare", "RUN", "OTHER"],
    "export": ["export", "RUN", "--to", "parquet", "-o", "OUT.parquet"],
    "report": ["report", "RUN", "-o", "OUT.html"],
}


def results(answers: int = ANSWERS, repeats: int = REPEATS) -> dict[str, dict[str, float]]:
    """By command: seconds of processor time, those beyond the imports, and how many times the imports they are."""
    with tempfile.TemporaryDirectory() as folder:
        where = Path(folder)
        for seed, name in enumerate(("run", "other"), 1):
            made_up_run(where / name, answers, seed)
        places = {"RUN": str(where / "run"), "OTHER": str(where / "other")}
        taken: dict[str, list[float]] = {name: [] for name in ("imports", *COMMANDS)}
        for repeat in range(repeats + 1):
            for name in taken:
                words = [places.get(word, word.replace("OUT", f"{folder}/{repeat}")) for word in COMMANDS.get(name, [])]
                program = [sys.executable, "-m", "edgereply", *words] if words else IMPORTS
                _, cpu, _, code = cost([*QUIETLY, f"{folder}/said", *program])
                if code not in (0, 1):
                    raise RuntimeError(f"{name} ended with {code}: {(where / 'said').read_text()[-500:]}")
                # The first round fills the caches of the disk and of compiled modules.
                if repeat:
                    taken[name].append(cpu)
    medians = {name: statistics.median(seconds) for name, seconds in taken.items()}
    imports = medians["imports"]
    return {
        name: {"processor_s": cpu, "beyond_s": cpu - imports, "imports_ratio": cpu / imports}
        for name, cpu in medians.items()
    }


def lines(found: dict[str, dict[str, float]]) -> list[str]:
    """For people."""
    return [
        f"{name}: {one['imports_ratio']:.1f} times 'import numpy, pyarrow', {one['beyond_s']:.2f} s of processor time "
        "beyond it"
        for name, one in found.items()
        if name != "imports"
    ]


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:]]
    print("\n".join(lines(results(*numbers))))
