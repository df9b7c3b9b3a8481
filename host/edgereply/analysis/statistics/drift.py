"""Whether the board answered differently at the end of the run, or at its start."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import normal_isf
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.dependence import measure_dependence
from edgereply.analysis.statistics.ranks import rank_test

_STRETCHES = 50
_FEWEST_A_STRETCH = 10
# Neither drift nor warm-up is judged from fewer answers.
FEWEST_ANSWERS = 100
_BATCH = 5
# A warm-up is a claim about a part of the run chosen by looking: it takes strong evidence.
_WARM_UP_ALPHA = 0.001
_MOST_TESTED = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """Trend of the reaction time over the run.

    Attributes:
        slope_ns_per_s: Theil-Sen slope of the medians of equal stretches.
        low_ns_per_s: lower end of its interval.
        high_ns_per_s: upper end.
        change_ns: slope times the length of the run.
        drifts: whether the interval leaves out 0.
    """

    slope_ns_per_s: float
    low_ns_per_s: float
    high_ns_per_s: float
    change_ns: float
    drifts: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUp:
    """Answers at the start that belong to another regime.

    Attributes:
        count: how many; 0 where none shows.
        shift_ns: Hodges-Lehmann shift of the start against the rest; 0 where none shows.
        low_ns: lower end of the shift's 95 % interval, as if the cut had been known beforehand; None where none shows
            or the start is too short.
        high_ns: upper end.
        p_value: of the rank test between them; 1 where nothing was cut.
    """

    count: int
    shift_ns: float
    low_ns: int | None
    high_ns: int | None
    p_value: float


def find_drift(reaction_ns: Int64s, stimulus_ns: Int64s, confidence: float = 0.95) -> Drift | None:
    """Fit a trend that a few late answers cannot bend.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, in order of time.
        stimulus_ns: shape (n,), int64, nanoseconds, when each was asked for.
        confidence: of the interval, strictly within 0 to 1.

    Returns:
        See `Drift`; None for fewer than 100 answers or a run without length.

    Source: Sen, P. K. (1968), Journal of the American Statistical Association 63, 1379-1389.
    """
    stretches = min(_STRETCHES, reaction_ns.size // _FEWEST_A_STRETCH)
    if reaction_ns.size < FEWEST_ANSWERS or stimulus_ns[-1] <= stimulus_ns[0]:
        return None
    parts = np.array_split(np.arange(reaction_ns.size), stretches)
    centres = np.array([float(np.median(reaction_ns[part])) for part in parts])
    times_s = np.array([float((stimulus_ns[part] - stimulus_ns[0]).mean()) / 1e9 for part in parts])
    if np.all(centres == centres[0]):
        return Drift(slope_ns_per_s=0.0, low_ns_per_s=0.0, high_ns_per_s=0.0, change_ns=0.0, drifts=False)
    slope, low, high = theil_sen(times_s, centres, confidence)
    return Drift(
        slope_ns_per_s=slope,
        low_ns_per_s=low,
        high_ns_per_s=high,
        change_ns=slope * float(stimulus_ns[-1] - stimulus_ns[0]) / 1e9,
        drifts=low > 0.0 or high < 0.0,
    )


def theil_sen(x: Floats, y: Floats, confidence: float) -> tuple[float, float, float]:
    """Median of the slopes between all pairs of points, and the interval that Kendall's test leaves it.

    Args:
        x: shape (n,), n at least 2, not all alike.
        y: shape (n,).
        confidence: of the interval, strictly within 0 to 1.

    Returns:
        Slope, lower and upper end, units of y a unit of x.

    Source: Sen, P. K. (1968), as above, its equation 2.6 for the variance with ties; the same as
    `scipy.stats.theilslopes`, which takes half a second to import.
    """
    apart = x[:, None] - x
    rising = apart > 0
    slopes = np.sort((y[:, None] - y)[rising] / apart[rising])
    count, pairs = y.size, slopes.size
    ties = [int(size) for values in (x, y) for size in np.unique(values, return_counts=True)[1]]
    variance = (count * (count - 1) * (2 * count + 5) - sum(k * (k - 1) * (2 * k + 5) for k in ties)) * (1 / 18.0)
    reach = normal_isf(min(confidence, 1.0 - confidence) / 2.0) * math.sqrt(variance)
    low, high = max(round((pairs - reach) / 2.0) - 1, 0), min(round((pairs + reach) / 2.0), pairs - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def find_warm_up(reaction_ns: Int64s) -> WarmUp:
    """Find how much of the start to leave out, and whether it differs at all.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, in order of time.

    Returns:
        See `WarmUp`.

    Source: MSER-5: White, K. P. (1997), Simulation 69, 323-334; the cut is then kept only if a rank
    test between both parts says at 0.1 % that they differ.
    """
    none = WarmUp(count=0, shift_ns=0.0, low_ns=None, high_ns=None, p_value=1.0)
    if reaction_ns.size < FEWEST_ANSWERS:
        return none
    # A single late answer must not decide where the cut goes.
    low, high = quantiles(reaction_ns, [0.05, 0.95]).tolist()
    batches = reaction_ns.size // _BATCH
    means = np.clip(reaction_ns[: batches * _BATCH], low, high).reshape(batches, _BATCH).mean(axis=1)
    cut = _BATCH * mser_cut(means)
    if cut == 0:
        return none
    start, rest = _thin(reaction_ns[:cut]), _thin(reaction_ns[cut:])
    blocks = (measure_dependence(start).block_length, measure_dependence(rest).block_length)
    test = rank_test(rest, start, block_lengths=blocks)
    if test.p_two_sided > _WARM_UP_ALPHA:
        return none
    return WarmUp(count=cut, shift_ns=test.shift_ns, low_ns=test.low_ns, high_ns=test.high_ns, p_value=test.p_two_sided)


def _thin(values_ns: Int64s) -> Int64s:
    """Every k-th value: a difference worth cutting for shows in 20,000 values of each part."""
    return values_ns[:: -(-values_ns.size // _MOST_TESTED)]


def mser_cut(batch_means: Floats) -> int:
    """Number of batches to cut so that the standard error of the rest's mean is least.

    Args:
        batch_means: shape (b,), in order of time, at least 2.

    Returns:
        0 to b / 2; a minimum beyond the middle means that no steady part was reached, hence 0.
    """
    backwards = batch_means[::-1] - batch_means.mean()
    kept = np.arange(1, backwards.size + 1)
    sums, squares = np.cumsum(backwards), np.cumsum(backwards**2)
    errors = ((squares - sums**2 / kept) / kept**2)[::-1]
    best = int(np.argmin(errors[: max(1, backwards.size - 4)]))
    return best if best <= backwards.size // 2 else 0
