"""How often the period search names anything where nothing interferes.

    python -m tests.benchmarks.false_alarms [seeds] [stimuli]

Half the runs have a light tail, half a heavy one. At most 1 % may show a cause. 1,000 seeds by default.
"""

import sys

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.explain import explain


def undisturbed(seed: int, stimuli: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """A run with random arrivals whose late answers know nothing of the time."""
    rng = np.random.default_rng(seed)
    stimulus_ns = np.cumsum(200_000 + rng.exponential(400_000, stimuli)).astype(np.int64)
    tail = rng.gamma(2.0, 500.0, stimuli) if seed % 2 else 8_000.0 * rng.pareto(3.0, stimuli)
    return stimulus_ns, (8_000.0 + tail).astype(np.int64)


def alarms(seeds: range, stimuli: int) -> list[int]:
    """Seeds whose run shows a cause."""
    return [seed for seed in seeds if explain(*undisturbed(seed, stimuli)).outcome == "cause found"]


def main(seeds: int, stimuli: int) -> None:
    found = alarms(range(seeds), stimuli)
    print(
        f"{len(found)} of {seeds} undisturbed runs of {stimuli} stimuli show a cause: {100 * len(found) / seeds:.2f} %"
    )
    print(f"seeds: {found}")


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:]]
    main(*(arguments + [1_000, 3_000][len(arguments) :]))
