"""How often the period search names anything where nothing interferes.

    python -m tests.benchmarks.false_alarms [seeds] [stimuli]

Half the runs have a light tail, half a heavy one. At most 1 % may show a cause. 1,000 seeds by default. Then the same
runs with late answers in bursts at random times: a burst may be reported, a period is none of them.
"""

import sys

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.lateness.explain import explain


def undisturbed(seed: int, stimuli: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """A run with random arrivals whose late answers know nothing of the time."""
    rng = np.random.default_rng(seed)
    stimulus_ns = np.cumsum(200_000 + rng.exponential(400_000, stimuli)).astype(np.int64)
    tail = rng.gamma(2.0, 500.0, stimuli) if seed % 2 else 8_000.0 * rng.pareto(3.0, stimuli)
    return stimulus_ns, (8_000.0 + tail).astype(np.int64)


def bursting(seed: int, stimuli: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """The same with disturbances at random, each holding up answers for 10 ms on average, 5 % of the time."""
    stimulus_ns, reaction_ns = undisturbed(seed, stimuli)
    rng = np.random.default_rng([seed, 1])
    starts = np.cumsum(rng.exponential(200_000_000, stimuli)).astype(np.int64)
    ends = np.maximum.accumulate(starts + rng.exponential(10_000_000, stimuli).astype(np.int64))
    last = np.searchsorted(starts, stimulus_ns, side="right") - 1
    held = (last >= 0) & (stimulus_ns < ends[np.maximum(last, 0)])
    return stimulus_ns, reaction_ns + np.where(held, rng.exponential(200_000, stimuli), 0).astype(np.int64)


def periods(seeds: range, stimuli: int) -> list[int]:
    """Seeds whose run with bursts shows a period."""
    return [seed for seed in seeds if explain(*bursting(seed, stimuli)).periods]


def alarms(seeds: range, stimuli: int) -> list[int]:
    """Seeds whose run shows a cause."""
    return [seed for seed in seeds if explain(*undisturbed(seed, stimuli)).outcome == "cause found"]


def main(seeds: int, stimuli: int) -> None:
    found = alarms(range(seeds), stimuli)
    print(
        f"{len(found)} of {seeds} undisturbed runs of {stimuli} stimuli show a cause: {100 * len(found) / seeds:.2f} %"
    )
    print(f"seeds: {found}", flush=True)
    found = periods(range(seeds), stimuli)
    print(f"{len(found)} of {seeds} runs with bursts at random show a period: {100 * len(found) / seeds:.2f} %")
    print(f"seeds: {found}")


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:]]
    main(*(arguments + [1_000, 3_000][len(arguments) :]))
