"""How often 95 % intervals for a quantile hold the true value, on samples made to be awkward.

    python -m tests.benchmarks.interval_coverage [repeats] [answers] [case ...]

Independent samples take order statistics: at least 95 % by construction, more where ranks are coarse or values tie,
and since the upper end allows for a group of ten that did not come. How much exactly follows from the binomial
distribution (`exact_coverage`), printed beside what was counted. Where an estimate is rough there is no interval, and
nothing is counted. 10,000 repeats by default; cases with a length of their own keep it.
"""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, signal, stats

from edgereply.analysis.statistics.quantile_intervals import quantile_interval

# Of all runs: below, those that got an interval are the few that look better than they are.
FEWEST_GIVEN = 0.1

Sampler = Callable[[np.random.Generator, int], NDArray[np.int64]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Population:
    """Something to draw runs from whose quantiles are known.

    `quantile(p)` is the true type 1 quantile, nanoseconds; `at_most(value)` the probability of a value up to it, None
    where answers depend on each other. `answers` is the length of a run where the case is about it.
    """

    draw: Sampler
    quantile: Callable[[float], int]
    at_most: Callable[[int], float] | None = None
    answers: int | None = None


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


def _of_two(share: float, quick: Callable[[float], float], slow: Callable[[float], float]) -> Callable[[float], int]:
    """Quantiles where a share of the answers is slow: both arguments give the chance of an answer beyond a value."""

    def quantile(p: float) -> int:
        def short(value: float) -> float:
            return (1 - share) * quick(value) + share * slow(value) - (1 - p)

        return int(optimize.brentq(short, -1e6, 1e9, xtol=0.1, rtol=1e-12))

    return quantile


def _beyond_quick(value: float) -> float:
    return math.exp(-max(0.0, value - 50_000) / 3_000)


def _beyond_slow(value: float) -> float:
    return math.exp(-max(0.0, value - 250_000) / 50_000)


def rare(size: int, every: int, answers: int) -> Population:
    """Disturbances that hold up so many answers by 200 us and more, one in so many answers, at random."""

    def draw(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
        begins = np.flatnonzero(rng.random(count + size) < 1 / every)
        held = np.zeros(count + 2 * size, np.bool_)
        held[(begins[:, None] + np.arange(size)).ravel()] = True
        held = held[size : count + size]
        slow = 250_000 + rng.exponential(50_000, count)
        values: NDArray[np.int64] = np.where(held, slow, 50_000 + rng.exponential(3_000, count)).astype(np.int64)
        return values

    return Population(draw=draw, quantile=_of_two(1 - (1 - 1 / every) ** size, _beyond_quick, _beyond_slow),
                      answers=answers)  # fmt: skip


def varied(size: int, every: int, answers: int) -> Population:
    """The same with sizes from a geometric distribution of that mean, which has no largest."""
    longest = 40 * size

    def draw(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
        begins = np.flatnonzero(rng.random(count + longest) < 1 / every)
        held = np.zeros(count + longest, np.bool_)
        for begin, many in zip(begins.tolist(), rng.geometric(1 / size, begins.size).tolist(), strict=True):
            held[begin : begin + many] = True
        slow = 250_000 + rng.exponential(50_000, count)
        quick = 50_000 + rng.exponential(3_000, count)
        values: NDArray[np.int64] = np.where(held[longest:], slow, quick).astype(np.int64)
        return values

    # An answer is quick where, of all that may begin before it, no disturbance lasts until it.
    lasts = (1 - 1 / size) ** np.arange(longest)
    share = 1 - float(np.prod(1 - lasts / every))
    return Population(draw=draw, quantile=_of_two(share, _beyond_quick, _beyond_slow), answers=answers)


def _switching(slow_share: float, visit: int, answers: int) -> Population:
    """Two states that the board switches between at random; visits to the slow one last so many answers on average."""

    def draw(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
        lasts = (visit * (1 - slow_share) / slow_share, visit)
        states: list[NDArray[np.bool_]] = []
        now, left = bool(rng.random() < slow_share), count
        while left > 0:
            states.append(np.full(int(rng.geometric(1 / lasts[now])), now))
            left -= states[-1].size
            now = not now
        centre = np.where(np.concatenate(states)[:count], 90_000, 60_000)
        values: NDArray[np.int64] = (centre + rng.normal(0, 2_000, count)).astype(np.int64)
        return values

    def beyond(centre: int) -> Callable[[float], float]:
        return lambda value: float(stats.norm.sf((value - centre) / 2_000))

    return Population(draw=draw, quantile=_of_two(slow_share, beyond(60_000), beyond(90_000)), answers=answers)


def _drifting(rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Answers get slower by 10 us in the course of the run, as with heat."""
    values: NDArray[np.int64] = (50_000 + np.linspace(0, 10_000, count) + rng.exponential(3_000, count)).astype(
        np.int64
    )
    return values


def _drifting_quantile(p: float) -> int:
    at = np.linspace(0, 10_000, 2_001)

    def short(value: float) -> float:
        return float(np.exp(-np.maximum(0.0, value - 50_000 - at) / 3_000).mean()) - (1 - p)

    return int(optimize.brentq(short, 0.0, 1e6))


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
    "burst of 10 in 1,510": rare(10, 1_510, 1_510),
    "burst of 15 in 615": rare(15, 615, 615),
    "burst of 15 in 1,200": rare(15, 1_200, 1_200),
    **{f"{n} bursts of 10 in 4,000": rare(10, 4_000 // n, 4_000) for n in (1, 2, 4, 10, 40)},
    "10 bursts of 10 in 10,000": rare(10, 1_000, 10_000),
    "2 bursts of 100 in 20,000": rare(100, 10_000, 20_000),
    "10 of 10 on average in 10,000": varied(10, 1_000, 10_000),
    "switching, 4 visits": _switching(0.3, 225, 3_000),
    "switching, 40 visits": _switching(0.3, 75, 10_000),
    "switching, 400 visits": _switching(0.3, 75, 100_000),
    "drift": Population(draw=_drifting, quantile=_drifting_quantile),
}


def exact_coverage(population: Population, p: float, answers: int) -> float | None:
    """Probability that the interval of independent answers holds the true quantile; None for dependent ones.

    It misses the quantile q where fewer than `lower` answers are q or less, and where `upper` or more are less than q:
    binomial probabilities. F(q) >= p >= F(q - 1), so with ties either is less than where every value differs, and the
    interval holds q more often (David and Nagaraja, Order Statistics, 3rd ed., section 7.1).
    """
    if population.at_most is None:
        return None
    # Values that are their own ranks: what the interval of independent answers is, whatever their distribution. One
    # order in a hundred looks like states that last.
    for seed in range(10):
        ranks = quantile_interval(np.random.default_rng(seed).permutation(answers) + 1, p)
        if ranks is not None and ranks.ends_ns is not None and ranks.method == "order statistics":
            break
    else:
        return None
    lower, upper = ranks.ends_ns
    truth = population.quantile(p)
    too_high = stats.binom.cdf(lower - 1, answers, population.at_most(truth))
    too_low = stats.binom.sf(upper - 1, answers, population.at_most(truth - 1))
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
    print(f'{repeats:,} runs a line; 95 % intervals; "wrong" is of all runs, those with an interval that does not hold')
    print("| answers | of them | quantile | of intervals given hold, % | exactly, % | given, % | wrong, % |")
    print("|---|---|---|---|---|---|---|")
    for name in cases or POPULATIONS:
        count = POPULATIONS[name].answers or answers
        for p in (0.5, 0.9, 0.99):
            share, given = coverage(POPULATIONS[name], p, count, repeats)
            exact = exact_coverage(POPULATIONS[name], p, count)
            # Of a handful of runs no share can be told; how many of all are wrong still can.
            held = f"{100 * share:.1f}" if given >= FEWEST_GIVEN else "–"
            beside = "–" if exact is None else f"{100 * exact:.1f}"
            wrong = 100 * given * (1 - share)
            print(
                f"| {name} | {count:,} | p{100 * p:g} | {held} | {beside} | {100 * given:.0f} | {wrong:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    numbers = [int(a) for a in sys.argv[1:] if a.isdigit()]
    repeats, answers = numbers + [10_000, 4_000][len(numbers) :]
    main(repeats, answers, [a for a in sys.argv[1:] if not a.isdigit()])
