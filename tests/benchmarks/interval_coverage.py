"""How often 95 % intervals for a quantile hold the true value, on samples made to be awkward.

    python -m tests.benchmarks.interval_coverage [repeats] [answers]

Independent samples take order statistics (at least 95 % by construction, more where ranks are
coarse or values tie); dependent ones take the block bootstrap. 10,000 repeats by default.
"""

import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal, stats

from edgereply.analysis.bootstrap import quantile_interval

Sampler = Callable[[np.random.Generator, int], NDArray[np.int64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Something to draw runs from whose quantiles are known.

    `quantile(p)` is the true type 1 quantile, nanoseconds.
    """

    draw: Sampler
    quantile: Callable[[float], int]


def _heavy(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    return (50_000 + 10_000 * rng.pareto(1.5, count)).astype(np.int64)


def _tied(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """An exponential tail seen through a timer of 62.5 ns, rounded up: runs of equal values."""
    return 63 * (800 + rng.geometric(1 - np.exp(-63 / 10_000), count).astype(np.int64))


def _few_values(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    return 4_000 * (12 + rng.geometric(0.3, count).astype(np.int64))


def _modes(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    which = rng.random(count)
    centre = np.select([which < 0.7, which < 0.985], [60_000, 90_000], 400_000)
    return (centre + rng.normal(0, 2_000, count)).astype(np.int64)


def _modes_quantile(p: float) -> int:
    low, high = 0.0, 1e6
    while high - low > 0.5:
        middle = (low + high) / 2
        below = sum(
            w * stats.norm.cdf((middle - c) / 2_000) for w, c in ((0.7, 60_000), (0.285, 90_000), (0.015, 400_000))
        )
        low, high = (low, middle) if below >= p else (middle, high)
    return int(high)


def _autocorrelated(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """A Gaussian chain with correlation 0.7 from answer to answer, made exponential."""
    chain = signal.lfilter([np.sqrt(1 - 0.49)], [1.0, -0.7], rng.normal(size=count + 100))[100:]
    values: NDArray[np.int64] = (50_000 - 10_000 * stats.norm.logsf(chain)).astype(np.int64)
    return values


POPULATIONS = {
    "heavy tail": Population(draw=_heavy, quantile=lambda p: int(50_000 + 10_000 * ((1 - p) ** (-1 / 1.5) - 1))),
    "tied": Population(draw=_tied, quantile=lambda p: 63 * (800 + int(stats.geom.ppf(p, 1 - np.exp(-63 / 10_000))))),
    "few values": Population(draw=_few_values, quantile=lambda p: 4_000 * (12 + int(stats.geom.ppf(p, 0.3)))),
    "several modes": Population(draw=_modes, quantile=_modes_quantile),
    "autocorrelated": Population(draw=_autocorrelated, quantile=lambda p: int(50_000 - 10_000 * np.log(1 - p))),
}


def coverage(population: Population, p: float, answers: int, repeats: int, seed: int = 1) -> tuple[float, float]:
    """Share of intervals that hold the true quantile, and share of runs that gave one."""
    truth, held, given = population.quantile(p), 0, 0
    for repeat in range(repeats):
        rng = np.random.default_rng([seed, repeat])
        found = quantile_interval(population.draw(rng, answers), p)
        if found is not None:
            given += 1
            held += found.low_ns <= truth <= found.high_ns
    return held / max(given, 1), given / repeats


def main(repeats: int, answers: int) -> None:
    print(f"{repeats} runs of {answers} answers; 95 % intervals")
    for name, population in POPULATIONS.items():
        for p in (0.5, 0.9, 0.99):
            share, given = coverage(population, p, answers, repeats)
            print(f"  {name:<15} p{100 * p:g}: {100 * share:.2f} % hold ({100 * given:.1f} % gave one)")


if __name__ == "__main__":
    arguments = [int(a) for a in sys.argv[1:]]
    main(*(arguments + [10_000, 3_000][len(arguments) :]))
