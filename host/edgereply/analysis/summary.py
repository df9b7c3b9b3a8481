"""One sample in one line of figures: what a run, a pulse width or a segment looked like."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.intervals import RankInterval, count_needed, quantile_ranks
from edgereply.analysis.quantiles import order_statistics, quantile_rank

QUANTILES: Final = {"median_ns": 0.5, "p90_ns": 0.9, "p99_ns": 0.99, "p99_9_ns": 0.999}
CONFIDENCE: Final = 0.95
_BLOCK = 1 << 15

JsonSummary = dict[str, int | float | dict[str, list[int] | None] | dict[str, int] | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSummary:
    """Figures of one sample, integer nanoseconds but for mean and standard deviation.

    A quantile is None where the sample is too small for a two-sided 95 % distribution-free
    interval around it; `needed` then says how many values it takes.

    Attributes:
        count: number of values.
        min_ns: smallest value; None for an empty sample, like every figure below.
        median_ns: quantile 0.5 (Hyndman-Fan type 1, as all quantiles here).
        p90_ns: quantile 0.9.
        p99_ns: quantile 0.99.
        p99_9_ns: quantile 0.999.
        max_ns: largest value.
        mean_ns: arithmetic mean.
        std_ns: standard deviation, divisor n - 1; None below two values.
        peak_to_peak_ns: max - min.
        tail_spread_ns: p99.9 - median.
        ci95: 95 % interval of each quantile by its name, None where there is none. It assumes
            independent answers.
        needed: sample size each quantile takes, only for those that are None.
    """

    count: int
    min_ns: int | None
    median_ns: int | None
    p90_ns: int | None
    p99_ns: int | None
    p99_9_ns: int | None
    max_ns: int | None
    mean_ns: float | None
    std_ns: float | None
    peak_to_peak_ns: int | None
    tail_spread_ns: int | None
    ci95: dict[str, tuple[int, int] | None]
    needed: dict[str, int]

    def as_dict(self) -> JsonSummary:
        """The summary as JSON knows it: ints, floats, None, lists and dictionaries."""
        return {
            "count": self.count,
            "min_ns": self.min_ns,
            "median_ns": self.median_ns,
            "p90_ns": self.p90_ns,
            "p99_ns": self.p99_ns,
            "p99_9_ns": self.p99_9_ns,
            "max_ns": self.max_ns,
            "mean_ns": self.mean_ns,
            "std_ns": self.std_ns,
            "peak_to_peak_ns": self.peak_to_peak_ns,
            "tail_spread_ns": self.tail_spread_ns,
            "ci95": {name: None if ends is None else list(ends) for name, ends in self.ci95.items()},
            "needed": dict(self.needed),
        }


def summarise(values_ns: NDArray[np.int64]) -> SampleSummary:
    """Summarise one sample.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order, may be empty; left as it is.

    Returns:
        The figures; see `SampleSummary`.

    Raises:
        TypeError: the values are not int64.
        ValueError: the values are not one-dimensional.
    """
    if values_ns.dtype != np.int64:
        raise TypeError(f"summaries take int64 nanoseconds, got {values_ns.dtype}")
    if values_ns.ndim != 1:
        raise ValueError(f"summaries take one dimension, got shape {values_ns.shape}")
    count = int(values_ns.size)
    intervals = {name: quantile_ranks(count, p, CONFIDENCE) for name, p in QUANTILES.items()}
    picked = _pick(values_ns, intervals)
    low = int(values_ns.min()) if count else None
    high = int(values_ns.max()) if count else None
    mean, std = mean_and_std(values_ns)
    median, tail = picked["median_ns"], picked["p99_9_ns"]
    return SampleSummary(
        count=count,
        min_ns=low,
        median_ns=None if median is None else median[0],
        p90_ns=None if picked["p90_ns"] is None else picked["p90_ns"][0],
        p99_ns=None if picked["p99_ns"] is None else picked["p99_ns"][0],
        p99_9_ns=None if tail is None else tail[0],
        max_ns=high,
        mean_ns=mean,
        std_ns=std,
        peak_to_peak_ns=None if low is None or high is None else high - low,
        tail_spread_ns=None if tail is None or median is None else tail[0] - median[0],
        ci95={name: None if found is None else found[1:] for name, found in picked.items()},
        needed={name: count_needed(QUANTILES[name], CONFIDENCE) for name, found in picked.items() if found is None},
    )


def mean_and_std(values_ns: NDArray[np.int64]) -> tuple[float | None, float | None]:
    """Mean and standard deviation (divisor n - 1), stable for small spreads on large values.

    Args:
        values_ns: shape (n,), int64, nanoseconds, may be empty.

    Returns:
        Mean and standard deviation, nanoseconds; None where n is 0, or below 2 for the second.
    """
    count = int(values_ns.size)
    if count == 0:
        return None, None
    # Exact integer deviations from a value inside the sample: no digits are lost to the offset.
    # Blocks stay in the processor's cache, and the sum of one fits into 64 bits when halved.
    pivot = int(values_ns[0])
    shift = 0
    for start in range(0, count, _BLOCK):
        deviations = values_ns[start : start + _BLOCK] - pivot
        shift += (int((deviations >> 32).sum()) << 32) + int((deviations & 0xFFFF_FFFF).sum())
    mean = float(pivot + Fraction(shift, count))
    if count < 2:
        return mean, None
    squares, rest = [], []
    for start in range(0, count, _BLOCK):
        centred = (values_ns[start : start + _BLOCK] - pivot) - shift / count
        rest.append(float(centred.sum()))
        # Not a dot product: its threads cost more than they bring on blocks of this size.
        squares.append(float(np.square(centred, out=centred).sum()))
    # The second term corrects for the rounding of shift / count.
    total = math.fsum(squares) - math.fsum(rest) ** 2 / count
    return mean, math.sqrt(max(total, 0.0) / (count - 1))


def _pick(
    values_ns: NDArray[np.int64], intervals: dict[str, RankInterval | None]
) -> dict[str, tuple[int, int, int] | None]:
    """Quantile, lower and upper end by name, all read from one partition."""
    ranks: list[int] = []
    for name, ends in intervals.items():
        if ends is not None:
            ranks += [
                quantile_rank(values_ns.size, QUANTILES[name]),
                ends.lower_rank,
                ends.upper_rank,
            ]
    found = iter(order_statistics(values_ns, ranks).tolist())
    return {name: None if ends is None else (next(found), next(found), next(found)) for name, ends in intervals.items()}
