"""One sample in one line of figures: what a run, a pulse width or a segment looked like."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import Method, QuantileEstimate, quantile_intervals

QUANTILES: Final = {"median_ns": 0.5, "p90_ns": 0.9, "p99_ns": 0.99, "p99_9_ns": 0.999}
CONFIDENCE: Final = 0.95
_BLOCK = 1 << 15

JsonSummary = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSummary:
    """Figures of one sample, integer nanoseconds but for mean and standard deviation.

    A quantile is None where the sample is too small for a two-sided 95 % distribution-free
    interval around it; `needed` then says how many values it takes. A quantile without an interval
    is one whose values depend on each other over too long stretches for one.

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
        ci95: 95 % interval of each quantile by its name, None where there is none. It allows for
            values that depend on each other (see `bootstrap`).
        ci95_method: how each interval was found: "order statistics" where values look independent,
            "block bootstrap" where they do not.
        effective_count: independent values that would pin each quantile down equally well; of all
            quantiles that have a value.
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
    ci95_method: dict[str, Method]
    effective_count: dict[str, int]
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
            "ci95_method": {name: str(method) for name, method in self.ci95_method.items()},
            "effective_count": dict(self.effective_count),
            "needed": dict(self.needed),
        }


def summarise(values_ns: Int64s) -> SampleSummary:
    """Summarise one sample.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, may be empty; left as it is.

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
    states = dict(zip(QUANTILES, quantile_intervals(values_ns, list(QUANTILES.values()), CONFIDENCE), strict=True))
    count = int(values_ns.size)
    mean, std = mean_and_std(values_ns)
    low, high = (int(values_ns.min()), int(values_ns.max())) if count else (None, None)
    return summary_of(count, (low, high), (mean, std), states)


def summary_of(
    count: int,
    ends: tuple[int | None, int | None],
    moments: tuple[float | None, float | None],
    states: Mapping[str, QuantileEstimate | None],
) -> SampleSummary:
    """Put together what was found about one sample.

    Args:
        count: number of values.
        ends: smallest and largest.
        moments: mean and standard deviation.
        states: each of `QUANTILES` by its name.
    """
    value = {name: None if state is None else state.value_ns for name, state in states.items()}
    low, high = ends
    median, tail = value["median_ns"], value["p99_9_ns"]
    return SampleSummary(
        count=count,
        min_ns=low,
        median_ns=median,
        p90_ns=value["p90_ns"],
        p99_ns=value["p99_ns"],
        p99_9_ns=tail,
        max_ns=high,
        mean_ns=moments[0],
        std_ns=moments[1],
        peak_to_peak_ns=None if low is None or high is None else high - low,
        tail_spread_ns=None if tail is None or median is None else tail - median,
        ci95={n: None if s is None else s.ends_ns for n, s in states.items()},
        ci95_method={n: s.method for n, s in states.items() if s is not None and not s.rough},
        effective_count={n: int(s.effective_count) for n, s in states.items() if s is not None},
        needed={name: count_needed(QUANTILES[name], CONFIDENCE) for name, state in states.items() if state is None},
    )


def widened(figures: JsonSummary, known_to: KnownTo | None) -> JsonSummary:
    """A summary whose intervals allow for what the instrument does not know of each time.

    Args:
        figures: of `SampleSummary.as_dict`.
        known_to: the instrument; None changes nothing.

    Returns:
        The same figures with wider `ci95`, and the instrument under `known_to`.
    """
    if known_to is None:
        return figures
    intervals = figures["ci95"].items()
    wider = {name: None if ends is None else list(known_to.widen(*ends)) for name, ends in intervals}
    known = {
        "resolution_ns": known_to.resolution_ns,
        "clock_ppm": known_to.tolerance_ppm,
        "expanded_ns": known_to.expanded_ns(figures["max_ns"] or 0),
    }
    return figures | {"ci95": wider, "known_to": known}


def mean_and_std(values_ns: Int64s) -> tuple[float | None, float | None]:
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
