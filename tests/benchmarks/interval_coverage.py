"""How often 95 % intervals for a quantile hold the true value, on samples made to be awkward.

    python -m tests.benchmarks.interval_coverage [repeats] [answers] [case ...]

Independent samples take order statistics: at least 95 % by construction, more where ranks are coarse or values tie,
and how much exactly follows from the binomial distribution (`exact_coverage`), printed beside what was counted.
Dependent ones take the block bootstrap. 10,000 repeats by default.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, signal, stats

from edgereply.analysis.statistics.intervals import quantile_ranks
from edgereply.analysis.statistics.quantile_intervals import quantile_interval

Sampler = Callable[[np.random.Generator, int], NDArray[np.int64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Something to draw runs from whose quantiles are known.

    `quantile(p)` is the true type 1 quantile, nanoseconds; `at_most(value)` the probability of a value up to it, None
    where answers depend on each other.
    """

    draw: Sampler
    quantile: Callable[[float], int]
    at_most: Callable[[int], float] | None = None


# Draws are cut to whole nanoseconds, so at most k means below k + 1.
def _heavy(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    return (50_000 + 10_000 * rng.pareto(1.5, count)).astype(np.int64)


def _heavy_at_most(value: int) -> float:
    return 1.0 - math.exp(-1.5 * math.log1p((value + 1 - 50_000) / 10_000))


def _tied(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """An exponential tail seen through a timer of 62.5 ns, rounded up: runs of equal values."""
    return 63 * (800 + rng.geometric(_TICK_SHARE, count).astype(np.int64))


def _few_values(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    return 4_000 * (12 + rng.geometric(0.3, count).astype(np.int64))


def _modes(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    which = rng.random(count)
    centre = np.select([which < 0.7, which < 0.985], [60_000, 90_000], 400_000)
    return (centre + rng.normal(0, 2_000, count)).astype(np.int64)


def _modes_at_most(value: int) -> float:
    parts = ((0.7, 60_000), (0.285, 90_000), (0.015, 400_000))
    return float(sum(share * stats.norm.cdf((value + 1 - centre) / 2_000) for share, centre in parts))


def _modes_quantile(p: float) -> int:
    low, high = 0, 10**6
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _modes_at_most(middle) >= p else (middle, high)
    return high


def _chain(correlation: float) -> Sampler:
    """A Gaussian chain, correlated from answer to answer, made exponential."""

    def draw(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
        start = math.ceil(50 / (1 - correlation))
        steps = rng.normal(size=count + start) * math.sqrt(1 - correlation**2)
        chain = signal.lfilter([1.0], [1.0, -correlation], steps)[start:]
        values: NDArray[np.int64] = (50_000 - 10_000 * stats.norm.logsf(chain)).astype(np.int64)
        return values

    return draw


def _bursts(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """One answer in 20 is held up, by disturbances that last some 10 answers each."""
    changes = rng.random(count)
    disturbed = np.empty(count, np.bool_)
    now = bool(rng.random() < 0.05)
    for place, change in enumerate(changes.tolist()):
        now = change >= 0.1 if now else change < 0.1 * 0.05 / 0.95
        disturbed[place] = now
    values: NDArray[np.int64] = (50_000 + rng.exponential(np.where(disturbed, 200_000, 3_000))).astype(np.int64)
    return values


def _bursts_quantile(p: float) -> int:
    def short(value: float) -> float:
        return 1 - 0.95 * math.exp(-value / 3_000) - 0.05 * math.exp(-value / 200_000) - p

    return int(50_000 + optimize.brentq(short, 0.0, 1e7))


_TICK_SHARE = 1 - math.exp(-63 / 10_000)


def _exponential_quantile(p: float) -> int:
    return int(50_000 - 10_000 * np.log(1 - p))


POPULATIONS = {
    "heavy tail": Population(
        draw=_heavy,
        quantile=lambda p: int(50_000 + 10_000 * ((1 - p) ** (-1 / 1.5) - 1)),
        at_most=_heavy_at_most,
    ),
    "tied": Population(
        draw=_tied,
        quantile=lambda p: 63 * (800 + int(stats.geom.ppf(p, _TICK_SHARE))),
        at_most=lambda value: float(stats.geom.cdf(value // 63 - 800, _TICK_SHARE)),
    ),
    "few values": Population(
        draw=_few_values,
        quantile=lambda p: 4_000 * (12 + int(stats.geom.ppf(p, 0.3))),
        at_most=lambda value: float(stats.geom.cdf(value // 4_000 - 12, 0.3)),
    ),
    "several modes": Population(draw=_modes, quantile=_modes_quantile, at_most=_modes_at_most),
    "autocorrelated": Population(draw=_chain(0.7), quantile=_exponential_quantile),
    "long memory": Population(draw=_chain(0.95), quantile=_exponential_quantile),
    "bursts": Population(draw=_bursts, quantile=_bursts_quantile),
}


def exact_coverage(population: Population, p: float, answers: int) -> float | None:
    """Probability that the order statistics of independent answers hold the true quantile; None for dependent ones.

    The interval misses the quantile q where fewer than `lower_rank` answers are q or less, and where `upper_rank` or
    more are less than q: binomial probabilities. F(q) >= p >= F(q - 1), so with ties either is less than where every
    value differs, and the interval holds q more often (David and Nagaraja, Order Statistics, 3rd ed., section 7.1).
    """
    ranks = quantile_ranks(answers, p)
    if population.at_most is None or ranks is None:
        return None
    truth = population.quantile(p)
    too_high = stats.binom.cdf(ranks.lower_rank - 1, answers, population.at_most(truth))
    too_low = stats.binom.sf(ranks.upper_rank - 1, answers, population.at_most(truth - 1))
    return float(1.0 - too_high - too_low)


def coverage(population: Population, p: float, answers: int, repeats: int, seed: int = 1) -> tuple[float, float]:
    """Share of intervals that hold the true quantile, and share of runs that gave one."""
    truth, held, given = population.quantile(p), 0, 0
    for repeat in range(repeats):
        rng = np.random.default_rng([seed, repeat])
        found = quantile_interval(population.draw(rng, answers), p)
        ends = None if found is None else found.ends_ns
        if ends is not None:
            given += 1
            held += ends[0] <= truth <= ends[1]
    return held / max(given, 1), given / repeats


def main(repeats: int, answers: int, cases: list[str]) -> None:
    print(f"{repeats:,} runs of {answers:,} answers; 95 % intervals; in brackets the standard error of the count")
    print(
        "wrong: of all runs, those with an interval that does not hold; the others hold, or are too clustered for one"
    )
    for name in cases or POPULATIONS:
        for p in (0.5, 0.9, 0.99):
            share, given = coverage(POPULATIONS[name], p, answers, repeats)
            error = math.sqrt(share * (1 - share) / max(1.0, given * repeats))
            exact = exact_coverage(POPULATIONS[name], p, answers)
            beside = "" if exact is None else f", exactly {100 * exact:.2f} %"
            print(
                f"  {name:<15} p{100 * p:g}: {100 * share:.2f} % [{100 * error:.2f}] hold{beside} "
                f"({100 * given:.1f} % gave one, wrong {100 * given * (1 - share):.2f} %)",
                flush=True,
            )


if __name__ == "__main__":
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    repeats, answers = numbers + [10_000, 3_000][len(numbers) :]
    main(repeats, answers, [a for a in sys.argv[1:] if not a.isdigit()])
