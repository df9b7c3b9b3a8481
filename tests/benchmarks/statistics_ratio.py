"""Cost of the statistics as a multiple of numpy's sort of the same array, side by side in one run.

    python -m tests.benchmarks.statistics_ratio [answers]

Prints the summary's and the full statistics' ratios, for independent and for clustered answers, the
peak of memory, and the blind period search over 100,000 answers in a minute (against one FFT of its grid).
"""

import resource
import statistics
import sys
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.lateness.explain import explain
from edgereply.analysis.statistics.summary import summarise
from edgereply.evaluation.characteristics import characterise
from edgereply.evaluation.evaluate import evaluate
from edgereply.storage.stamps import BoardStamps, SourceStamps

REPEATS = 3


def ratio(work: Callable[[], object], yardstick: Callable[[], object]) -> tuple[float, float]:
    """Median over repeats of work / yardstick, each pair timed one after the other, and of the work's seconds.

    Processor time, so that other work on the machine does not count.
    """
    ratios, seconds = [], []
    for _ in range(REPEATS):
        start = time.process_time()
        yardstick()
        middle = time.process_time()
        work()
        end = time.process_time()
        ratios.append((end - middle) / (middle - start))
        seconds.append(end - middle)
    return statistics.median(ratios), statistics.median(seconds)


def run(answers: int, clustered: bool) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Stimuli, rises and widths."""
    rng = np.random.default_rng(1)
    stimulus = np.cumsum(rng.integers(300_000, 900_000, answers))
    reaction = 50_000 + rng.gamma(2.0, 10_000.0, answers).astype(np.int64)
    if clustered:
        reaction += np.repeat(rng.random(answers // 50) < 0.02, 50) * rng.integers(0, 200_000, answers // 50 * 50)
    return stimulus, stimulus + reaction, rng.integers(18_000, 22_000, answers)


def peak_mib() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def statistics_of(answers: int) -> None:
    for clustered in (False, True):
        stimulus, rise, width = run(answers, clustered)
        reaction = rise - stimulus
        source = SourceStamps(stimulus, rise, rise + width)
        evaluated = evaluate(source, BoardStamps.concatenate([]), 10_000_000, None)
        kind = "clustered" if clustered else "independent"
        summary = ratio(lambda r=reaction: summarise(r), lambda r=reaction: np.sort(r))  # type: ignore[misc]
        full = ratio(
            lambda e=evaluated: characterise(e, one_run=True),  # type: ignore[misc]
            lambda r=reaction: np.sort(r),  # type: ignore[misc]
        )
        print(f"{answers} {kind} answers: summary {summary[0]:.2f}, full statistics {full[0]:.2f} times numpy's sort")
        print(f"  peak of memory so far {peak_mib():.0f} MiB")


def search() -> None:
    rng = np.random.default_rng(2)
    stimulus = np.cumsum(rng.integers(300_000, 900_000, 100_000))
    reaction = (8_000 + rng.gamma(2.0, 500.0, 100_000)).astype(np.int64)
    reaction[np.mod(stimulus / 1_024_000, 1.0) < 0.006] += 20_000
    grid = np.zeros(24_000_000, dtype=np.float32)
    found = ratio(lambda: explain(stimulus, reaction), lambda: np.fft.rfft(grid))
    length_s = stimulus[-1] / 1e9
    print(f"period search, 100,000 answers in {length_s:.0f} s: {found[1]:.1f} s, {found[0]:.2f} FFTs of its grid")


if __name__ == "__main__":
    statistics_of(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000)
    search()
