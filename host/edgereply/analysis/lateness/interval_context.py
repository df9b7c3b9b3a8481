"""Late answers against what else changed on the board in the same seconds.

The share of late answers in each interval between two readings is ranked against each counter's rate or gauge's level
(Spearman). Both kinds of series keep their level from one second to the next, which makes chance agreement likelier
than the usual test believes: the number of intervals is replaced by the effective one for two autocorrelated series
(Bartlett 1935; Pyper and Peterman 1998, Canadian Journal of Fisheries and Aquatic Sciences 55, 2127-2140). p-values
are adjusted by Holm over all counters and gauges. An association is not a cause.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.arrays.distributions import student_sf
from edgereply.analysis.statistics.multiple_tests import holm

FEWEST_INTERVALS = 20
FEWEST_EFFECTIVE = 8.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Association:
    """One counter or gauge that goes with lateness.

    Attributes:
        name: of the counter (its rate a second is meant) or gauge.
        correlation: Spearman's, -1 to 1.
        effective_intervals: independent intervals the two series are worth.
        p_adjusted: Holm over all that were looked at.
        when_late: its median, weighted by late answers.
        usual: its median over all intervals.
    """

    name: str
    correlation: float
    effective_intervals: float
    p_adjusted: float
    when_late: float
    usual: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ContextSearch:
    """What was looked at, and what goes with late answers, strongest first."""

    intervals: int
    looked_at: int
    found: tuple[Association, ...]


def relate(
    at_ns: Int64s,
    late: Bools,
    read_ns: Int64s,
    readings: Mapping[str, Int64s],
    confidence: float = 0.95,
) -> ContextSearch | None:
    """Look for counters and gauges that go with late answers.

    Args:
        at_ns: shape (n,), int64: when each stimulus reached the board, board clock.
        late: shape (n,), bool.
        read_ns: shape (k,), int64: times of the readings, rising, the same clock.
        readings: by name, shape (k,); names that start with "count" grow, others are levels.
        confidence: of every association over all that are looked at.

    Returns:
        None where there are fewer than 20 intervals with stimuli, or no or only late answers.
    """
    place = np.searchsorted(read_ns, at_ns, side="right") - 1
    inside = (place >= 0) & (place < len(read_ns) - 1)
    total = np.bincount(place[inside], minlength=max(0, len(read_ns) - 1))
    hits = np.bincount(place[inside & late], minlength=max(0, len(read_ns) - 1))
    used = total > 0
    if np.count_nonzero(used) < FEWEST_INTERVALS or not 0 < hits.sum() < total.sum():
        return None
    share = hits[used] / total[used]
    seconds = np.diff(read_ns)[used] / 1e9
    tests: list[tuple[str, float, float, float, Floats]] = []
    for name, values in readings.items():
        column = _column(name, values, used, seconds)
        if np.ptp(column) == 0 or np.ptp(share) == 0:
            continue
        correlation, effective, p_value = spearman(column, share)
        tests.append((name, correlation, effective, p_value, column))
    adjusted = holm([test[3] for test in tests])
    found = [
        Association(
            name=name,
            correlation=correlation,
            effective_intervals=effective,
            p_adjusted=p,
            when_late=_weighted_median(column, hits[used]),
            usual=float(np.median(column)),
        )
        for (name, correlation, effective, _, column), p in zip(tests, adjusted, strict=True)
        if p < 1 - confidence
    ]
    found.sort(key=lambda item: item.p_adjusted)
    return ContextSearch(intervals=int(np.count_nonzero(used)), looked_at=len(tests), found=tuple(found))


def spearman(first: Floats, second: Floats) -> tuple[float, float, float]:
    """Rank correlation of two series in order of time, effective length, two-sided p-value.

    Args:
        first, second: shape (n,), neither of them constant.
    """
    x, y = (mean_ranks(values) - (len(first) + 1) / 2 for values in (first, second))
    r = float(x @ y / math.sqrt((x @ x) * (y @ y)))
    count = len(x)
    lags = range(1, count // 5 + 1)
    overlap = sum((1 - lag / count) * (x[lag:] @ x[:-lag]) / (x @ x) * (y[lag:] @ y[:-lag]) / (y @ y) for lag in lags)
    effective = count / max(1.0, 1 + 2 * float(overlap))
    if effective < FEWEST_EFFECTIVE:
        return r, effective, 1.0
    r2 = min(r * r, 1 - 1e-15)
    t = math.sqrt(r2 * (effective - 2) / (1 - r2))
    return r, effective, 2.0 * student_sf(t, effective - 2)


def mean_ranks(values: Floats) -> Floats:
    """Ranks from 1 on, equal values sharing the mean of theirs.

    Args:
        values: shape (n,), none of them NaN.
    """
    _, place, sizes = np.unique(values, return_inverse=True, return_counts=True)
    ranks: Floats = (np.cumsum(sizes) - (sizes - 1) / 2.0)[place]
    return ranks


def _column(name: str, values: Int64s, used: Bools, seconds: Floats) -> Floats:
    if name.startswith("count"):
        return np.diff(values)[used] / seconds
    levels: Floats = ((values[1:] + values[:-1]) / 2)[used]
    return levels


def _weighted_median(values: Floats, weights: Int64s) -> float:
    order = np.argsort(values)
    heaped = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(heaped, heaped[-1] / 2)])
