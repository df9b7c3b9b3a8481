"""How far one answer tells about the next: autocorrelation, effective sample size, block length.

Late answers cluster (a page is swapped in, a governor steps, a queue drains), so n answers can
carry the information of far fewer. Intervals that assume independence are then too narrow.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.compiled import fast_length, irfft, rfft
from edgereply.analysis.arrays.distributions import f_sf

# Clusters are looked for in this many equal stretches of the run, each number by itself:
# bursts stand out where a stretch is about as long as they are.
SCALES = (30, 100, 300)
STRETCHES = 100
# Of 30 stretches, three next to each other are so by chance in 28 of 4,060 cases, two in one of 15.
_FEWEST_ON_A_SIDE = 3
# The normal deviate that one run in a thousand passes: intervals are too often asked for to be refused more often.
_ORDERLY = 3.09
_CHUNK = 1 << 16
# Politis and White (2004): lags are negligible below this many times sqrt(log10(n) / n).
_NEGLIGIBLE = 2.0
_FALSE_ALARM = 0.01
_FEWEST_BLOCKS = 20
_MOST_LAGS = 5000
_SAMPLED, _SAMPLED_LENGTH = 16, 1 << 16


@dataclass(frozen=True, slots=True, kw_only=True)
class Dependence:
    """What the order of the values shows.

    Attributes:
        dependent: whether they are visibly not independent.
        block_length: values a resampled block must hold to keep the dependence; 1 if independent.
        effective_count: independent values that would pin the mean down equally well.
        lag_1: autocorrelation at lag 1.
        dispersion_p: chance of stretches of the run differing so much in level if the values were
            independent.
    """

    dependent: bool
    block_length: int
    effective_count: float
    lag_1: float
    dispersion_p: float


def autocorrelation(values: Int64s | Floats, max_lag: int) -> Floats:
    """Sample autocorrelation, sum(d[t] d[t + k]) / sum(d[t] ** 2) with d = values - mean.

    Args:
        values: shape (n,), any unit, in order of time.
        max_lag: largest lag, cut to n - 1.

    Returns:
        Shape (lags + 1,), from lag 0 (= 1) on. All-equal values give 0 from lag 1 on.

    Raises:
        ValueError: empty sample or negative lag.

    Source: NIST/SEMATECH e-Handbook 1.3.5.12.
    """
    if values.size == 0 or max_lag < 0:
        raise ValueError("autocorrelation takes at least one value and a lag of 0 or more")
    lags = min(max_lag, values.size - 1)
    deviations = np.subtract(values, values[0], dtype=np.float64)
    deviations -= deviations.mean()
    sums = np.zeros(lags + 1)
    # Chunks keep the transforms small: memory stays at one copy of the sample.
    chunk = min(max(_CHUNK, 2 * lags), deviations.size)
    length = fast_length(chunk + lags, real=True)
    for start in range(0, deviations.size, chunk):
        here = rfft(deviations[start : start + chunk], length)
        ahead = rfft(deviations[start : start + chunk + lags], length)
        sums += irfft(np.conj(here) * ahead, length)[: lags + 1]
    total = float(np.dot(deviations, deviations))
    if total == 0.0:
        return np.concatenate([[1.0], np.zeros(lags)])
    result: Floats = sums / total
    result[0] = 1.0
    return result


def effective_count(correlation: Floats, count: int) -> float:
    """Number of independent values with the same variance of the mean.

    Args:
        correlation: autocorrelation from lag 0 on.
        count: sample size.

    Returns:
        count / (1 + 2 sum r), the sum cut by Geyer's initial monotone sequence; never above
        `count`, so that alternating values do not claim more than was measured.

    Source: Geyer, C. J. (1992), Practical Markov Chain Monte Carlo, Statistical Science 7, 473-483.
    """
    pairs = correlation[: 2 * (correlation.size // 2)].reshape(-1, 2).sum(axis=1)
    negative = np.flatnonzero(pairs <= 0.0)
    kept = np.minimum.accumulate(pairs[: negative[0]] if negative.size else pairs)
    inflation = 2.0 * float(kept.sum()) - 1.0 if kept.size else 1.0
    return count / max(inflation, 1.0)


def automatic_block_length(correlation: Floats, count: int) -> int:
    """Block length with which the variance between blocks errs least.

    Args:
        correlation: autocorrelation from lag 0 on.
        count: sample size.

    Returns:
        Values a block, 1 where no lag matters, at most 3 sqrt(n) or n / 3.

    Source: Politis, D. N. and White, H. (2004), Econometric Reviews 23, 53-70, corrected by
    Patton, Politis and White (2009), Econometric Reviews 28, 372-375 (circular blocks).
    """
    if count < 4 or correlation.size < 2:
        return 1
    run = run_of_lags(count)
    threshold = _NEGLIGIBLE * math.sqrt(math.log10(count) / count)
    relevant = np.flatnonzero(np.abs(correlation[1:]) >= threshold) + 1
    # The last relevant lag before `run` negligible ones in a row.
    gaps = np.diff(np.concatenate([[0], relevant]))
    breaks = np.flatnonzero(gaps > run)
    inside = relevant[: breaks[0]] if breaks.size else relevant
    if inside.size == 0:
        return 1
    window = min(2 * int(inside[-1]), correlation.size - 1)
    lags = np.arange(1, window + 1)
    taper = np.clip(2.0 * (1.0 - lags / window), 0.0, 1.0)
    weighted = taper * correlation[1 : window + 1]
    spectrum = 1.0 + 2.0 * float(weighted.sum())
    slope = 2.0 * float((lags * weighted).sum())
    if spectrum <= 0.0:
        return 1
    wanted: float = (1.5 * (slope / spectrum) ** 2 * count) ** (1.0 / 3.0)
    most = math.ceil(min(3.0 * math.sqrt(count), count / 3.0))
    return max(1, min(math.ceil(wanted), most))


def sampled_bounds(count: int) -> list[tuple[int, int]]:
    """All of a run, or evenly spread stretches of a very long one: a million values pin a lag to 0.001."""
    if count <= 2 * _SAMPLED * _SAMPLED_LENGTH:
        return [(0, count)]
    starts = np.linspace(0, count - _SAMPLED_LENGTH, _SAMPLED).astype(np.int64)
    return [(start, start + _SAMPLED_LENGTH) for start in starts.tolist()]


def run_of_lags(count: int) -> int:
    """Negligible lags in a row after which no further lag is looked at."""
    return max(5, math.ceil(math.sqrt(math.log10(count))))


def _first_lags(centred: Floats, lags: int) -> Floats:
    """Autocorrelation at a few lags by its definition, cheaper than transforms."""
    total = float(np.dot(centred, centred))
    lags = min(lags, centred.size - 1)
    if total == 0.0:
        return np.concatenate([[1.0], np.zeros(lags)])
    return np.array([1.0, *[float(np.dot(centred[:-k], centred[k:])) / total for k in range(1, lags + 1)]])


def measure_dependence(values: Int64s | Floats) -> Dependence:
    """Judge the order of one sample.

    Args:
        values: shape (n,), in order of time; whether a quantile's answers cluster, where the bulk may
            not, is `exceedances.measure_exceedances`.

    Returns:
        See `Dependence`. An empty sample is independent.
    """
    count = int(values.size)
    if count < 2:
        return independent(count)
    centred = np.subtract(values, values[0], dtype=np.float64)
    centred -= centred.mean()

    def seen() -> Floats:
        bounds = sampled_bounds(count)
        return centred if len(bounds) == 1 else np.concatenate([centred[a:b] for a, b in bounds])

    dispersion = worst_dispersion(count, lambda stretches: dispersion_test(centred, stretches))
    return judge_order(count, dispersion, _first_lags(centred, run_of_lags(count)), seen)


def independent(count: int) -> Dependence:
    """What too few values to judge are taken for."""
    return Dependence(dependent=False, block_length=1, effective_count=float(count), lag_1=0.0, dispersion_p=1.0)


def judge_order(count: int, dispersion: float, nearby: Floats, seen: Callable[[], Floats]) -> Dependence:
    """Judge from what is quick to compute, and look further only where that shows something.

    Args:
        count: sample size, at least 2.
        dispersion: of `worst_dispersion`.
        nearby: autocorrelation from lag 0 to a negligible run.
        seen: gives the values about their mean, or evenly spread stretches of them (`sampled_bounds`).

    Returns:
        See `Dependence`.
    """
    block = automatic_block_length(nearby, count)
    if block == 1 and dispersion >= _FALSE_ALARM:
        # Lags further out change nothing: the block length looks no further than a negligible run.
        return Dependence(
            dependent=False,
            block_length=1,
            effective_count=float(count),
            lag_1=float(nearby[1]),
            dispersion_p=dispersion,
        )
    stretches = seen()
    correlation = autocorrelation(stretches, min(count // 4 + 1, _MOST_LAGS))
    block = automatic_block_length(correlation, stretches.size)
    if dispersion < _FALSE_ALARM:
        block = max(block, min(count // STRETCHES, math.ceil(3.0 * math.sqrt(count))), 2)
    dependent = block > 1
    if dependent:
        # Twice the length with the least error of the variance: short blocks make intervals too
        # narrow, whereas few blocks are allowed for (Student's t).
        block = max(block, min(2 * block, count // _FEWEST_BLOCKS))
    return Dependence(
        dependent=dependent,
        block_length=block,
        effective_count=effective_count(correlation, count) if dependent else float(count),
        lag_1=float(correlation[1]),
        dispersion_p=dispersion,
    )


def dispersion_test(values: Floats, stretches: int = STRETCHES) -> float:
    """Chance that stretches of the run differ so much in level, were the values independent.

    Args:
        values: shape (n,), in order of time.
        stretches: number of equal stretches, at most a fifth of n.

    Returns:
        Upper tail probability of the one-way analysis of variance between stretches; 1 for
        samples below 20 or without spread.
    """
    bounds = stretch_bounds(values.size, stretches)
    if bounds is None:
        return 1.0
    sizes = np.diff(bounds)
    centre = float(values.mean())
    means = np.add.reduceat(values, bounds[:-1]) / sizes - centre
    return dispersion_p(sizes, means, float(np.dot(values, values)) - values.size * centre**2)


def worst_dispersion(count: int, test: Callable[[int], float]) -> float:
    """Chance of the most telling of several numbers of stretches, times how many were looked at (Bonferroni).

    Args:
        count: sample size.
        test: chance at a number of stretches.
    """
    numbers = {min(stretches, count // 5) for stretches in SCALES}
    return min(1.0, len(numbers) * min(test(stretches) for stretches in numbers))


def stretch_bounds(count: int, stretches: int = STRETCHES) -> Int64s | None:
    """Edges of equal stretches of a run; None where it is too short for four."""
    stretches = min(stretches, count // 5)
    return None if stretches < 4 else np.linspace(0, count, stretches + 1).astype(np.int64)


def dispersion_p(sizes: Int64s, means: Floats, squares: float) -> float:
    """Upper tail probability of the one-way analysis of variance.

    Args:
        sizes: values in each stretch.
        means: of each stretch, less the mean of all.
        squares: sum of the squares of all values about their mean.
    """
    between = float((sizes * means**2).sum())
    within = squares - between
    if within < 1e-9 * between:
        within = 0.0
    if within <= 0.0:
        return 1.0 if between == 0.0 else 0.0
    freedom = int(sizes.sum()) - sizes.size
    ratio = (between / (sizes.size - 1)) / (within / freedom)
    return f_sf(ratio, sizes.size - 1, freedom)


def long_visits(sums: Floats) -> int | None:
    """Visits to a state that outlasts a stretch: how often the sums of equal stretches rise above their mean.

    A block must be longer than what disturbs the run, and blocks must be many. Where a disturbance lasts a good part of
    the run, both cannot be; this sees it by stretches above and below the mean that follow each other too orderly
    (test of runs: Wald, A. and Wolfowitz, J. 1940, Annals of Mathematical Statistics 11, 147-162).

    Args:
        sums: shape (n,), of the values in each of some 30 equal stretches, in order of time.

    Returns:
        Runs above the mean; None where they are as many as chance makes, or where too few stretches are on either side
        to say.
    """
    above = sums > sums.mean()
    many, few = int(np.count_nonzero(above)), int(np.count_nonzero(~above))
    if min(many, few) < _FEWEST_ON_A_SIDE:
        return None
    expected = 2.0 * many * few / above.size + 1.0
    error = math.sqrt((expected - 1.0) * (expected - 2.0) / (above.size - 1))
    runs = 1 + int(np.count_nonzero(above[1:] != above[:-1]))
    if (runs - expected) / error > -_ORDERLY:
        return None
    return int(np.count_nonzero(above[1:] & ~above[:-1])) + int(above[0])
