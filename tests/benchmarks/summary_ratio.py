"""Summing up a run of a million stimuli, against numpy's sort of the same reaction times in the same process.

python -m tests.benchmarks.summary_ratio [stimuli]

The goal is a summary in at most three sorts; the whole evaluation (pairing, joining, eight summaries) has none.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from edgereply.analysis.arrays.presence import present
from edgereply.analysis.statistics.summary import summarise
from edgereply.evaluation.evaluate import evaluate
from edgereply.storage.stamps import BoardStamps, SourceStamps

REPEATS = 11
GOAL = 3.0


def made_up_run(stimuli: int) -> tuple[SourceStamps, BoardStamps]:
    """Exponential arrivals at 200/s, every one answered, two clocks 20 ppm apart."""
    rng = np.random.default_rng(1)
    stimulus = np.cumsum(1_000_000 + rng.exponential(4e6, stimuli).astype(np.int64))
    wake = 30_000 + rng.gamma(2.0, 8_000.0, stimuli).astype(np.int64)
    rise = stimulus + wake + 15_000
    edge = (stimulus * (1 + 20e-6)).astype(np.int64) + 77_000_000_000
    board = BoardStamps(
        edge, edge + wake, edge + wake + 9_000, edge + wake + 20_000,
        np.arange(1, stimuli + 1, dtype=np.uint32), np.arange(1, stimuli + 1, dtype=np.uint32),
    )  # fmt: skip
    return SourceStamps(stimulus, rise, rise + 11_000), board


def medians_s(works: list[Callable[[], object]], repeats: int) -> list[float]:
    """Median seconds of each, taken in turns, so that what else the computer does strikes all alike."""
    taken: list[list[float]] = [[] for _ in works]
    for _ in range(repeats):
        for times, work in zip(taken, works, strict=True):
            start = time.perf_counter()
            work()
            times.append(time.perf_counter() - start)
    return [sorted(times)[repeats // 2] for times in taken]


def results(stimuli: int = 1_000_000) -> dict[str, float]:
    """Seconds and ratios."""
    source, board = made_up_run(stimuli)
    reaction = present(evaluate(source, board, 100_000_000, 2_000_000).reaction_ns)
    assert len(reaction) == stimuli
    sort, summary = medians_s([lambda: np.sort(reaction), lambda: summarise(reaction)], REPEATS)
    (whole,) = medians_s([lambda: evaluate(source, board, 100_000_000, 2_000_000).summary(virtual=True)], 3)
    return {
        "stimuli": stimuli,
        "sort_s": sort,
        "summary_s": summary,
        "evaluate_s": whole,
        "summary_ratio": summary / sort,
        "evaluate_ratio": whole / sort,
    }


def lines(found: dict[str, float]) -> list[str]:
    """For people."""
    return [
        f"summary of {found['stimuli']:.0f} reaction times: {found['summary_ratio']:.2f} times numpy's sort "
        f"({1e3 * found['sort_s']:.1f} ms); goal at most {GOAL:g}",
        f"whole evaluation with its summaries: {found['evaluate_ratio']:.1f} times numpy's sort "
        f"({found['evaluate_s']:.2f} s)",
    ]


if __name__ == "__main__":
    print("\n".join(lines(results(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))))
