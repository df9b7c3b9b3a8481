"""Cost of the statistics as a multiple of numpy's sort of the same array, side by side in one run.

python -m tests.benchmarks.statistics_ratio [count ...]
"""

import sys
import time
from collections.abc import Callable

import numpy as np

from edgereply.analysis.summary import summarise

REPEATS = 5


def median_time(work: Callable[[], object]) -> float:
    taken = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return sorted(taken)[REPEATS // 2]


def main(counts: list[int]) -> None:
    for count in counts:
        rng = np.random.default_rng(1)
        values = (50_000 + rng.gamma(2.0, 10_000.0, count)).astype(np.int64)
        sort = median_time(lambda values=values: np.sort(values))  # type: ignore[misc]
        summary = median_time(lambda values=values: summarise(values))  # type: ignore[misc]
        print(f"{count:>10} values: summary {summary / sort:.2f} times numpy's sort ({1e3 * sort:.1f} ms)")


if __name__ == "__main__":
    main([int(argument) for argument in sys.argv[1:]] or [1_000_000])
