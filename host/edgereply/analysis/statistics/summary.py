"""The one estimate of a sample: what a run's record, every command's JSON, every table and the page say of it.

Whoever needs a quantile of times takes it from here, so that no two places can disagree on its value, on its interval,
or on whether the sample can carry it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.uncertainty import KnownTo
from edgereply.analysis.statistics.further import further
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate, quantile_intervals

QUANTILES: Final = {"median_ns": 0.5, "p90_ns": 0.9, "p99_ns": 0.99, "p99_9_ns": 0.999}
CONFIDENCE: Final = 0.95
_BLOCK = 1 << 15

JsonSummary = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleSummary:
    """One sample in one line of figures, integer nanoseconds but for mean and standard deviation.

    Attributes:
        count: number of values.
        min_ns, max_ns: smallest and largest value; None for an empty sample, like every figure below.
        mean_ns: arithmetic mean.
        std_ns: standard deviation, divisor n - 1; None below two values.
        quantiles: each of `QUANTILES` by its name. None where the sample is too small for a two-sided 95 % interval
            (`needed` says how many values that takes); rough where they are too few to rule out a group of ten slow
            ones that did not come, or worth too few independent ones.
        known_to: how well an imported time is known; intervals are widened by it already.
        further: figures beside these, by name (`further.FURTHER`).
    """

    count: int
    min_ns: int | None
    max_ns: int | None
    mean_ns: float | None
    std_ns: float | None
    quantiles: dict[str, QuantileEstimate | None]
    known_to: KnownTo | None = field(default=None)
    further: dict[str, Any] = field(default_factory=dict)

    @property
    def needed(self) -> dict[str, int]:
        """Values that each quantile takes, only for those that are None."""
        return {n: count_needed(QUANTILES[n], CONFIDENCE) for n, found in self.quantiles.items() if found is None}

    @property
    def rough(self) -> list[str]:
        """Names of the figures whose interval is unsure."""
        found = [name for name, one in self.quantiles.items() if one is not None and one.rough]
        spread = self.tail_spread_ns is not None and {"median_ns", "p99_9_ns"} & set(found)
        return [*found, "tail_spread_ns"] if spread else found

    @property
    def peak_to_peak_ns(self) -> int | None:
        """Largest minus smallest."""
        return None if self.min_ns is None or self.max_ns is None else self.max_ns - self.min_ns

    @property
    def tail_spread_ns(self) -> int | None:
        """p99.9 minus median."""
        tail, median = self.value_ns("p99_9_ns"), self.value_ns("median_ns")
        return None if tail is None or median is None else tail - median

    def value_ns(self, name: str) -> int | None:
        """A quantile's value by its name; None where the sample cannot carry it."""
        found = self.quantiles[name]
        return None if found is None else found.value_ns

    def ci95(self, name: str) -> tuple[int, int] | None:
        """A quantile's interval by its name; None where there is none."""
        found = self.quantiles[name]
        return None if found is None else found.ends_ns

    def as_dict(self) -> JsonSummary:
        """The summary as JSON knows it: ints, floats, None, lists and dictionaries."""
        there = {name: found for name, found in self.quantiles.items() if found is not None}
        known = self.known_to
        return {
            "count": self.count,
            "min_ns": self.min_ns,
            **{name: self.value_ns(name) for name in self.quantiles},
            "max_ns": self.max_ns,
            "mean_ns": self.mean_ns,
            "std_ns": self.std_ns,
            "peak_to_peak_ns": self.peak_to_peak_ns,
            "tail_spread_ns": self.tail_spread_ns,
            "ci95": {name: None if (ends := self.ci95(name)) is None else list(ends) for name in self.quantiles},
            "ci95_method": {name: str(found.method) for name, found in there.items() if found.ends_ns is not None},
            "effective_count": {name: int(found.effective_count) for name, found in there.items()},
            "rough": self.rough,
            "needed": self.needed,
        } | self.further | ({} if known is None else {"known_to": {
            "resolution_ns": known.resolution_ns,
            "clock_ppm": known.tolerance_ppm,
            "expanded_ns": known.expanded_ns(self.max_ns or 0),
        }})  # fmt: skip


def summarise(values_ns: Int64s, known_to: KnownTo | None = None) -> SampleSummary:
    """Summarise one sample.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, may be empty; left as it is.
        known_to: the instrument that recorded imported times; what it does not know widens every interval.

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
    found = quantile_intervals(values_ns, list(QUANTILES.values()), CONFIDENCE)
    count = int(values_ns.size)
    mean, std = mean_and_std(values_ns)
    return SampleSummary(
        count=count,
        min_ns=int(values_ns.min()) if count else None,
        max_ns=int(values_ns.max()) if count else None,
        mean_ns=mean,
        std_ns=std,
        quantiles={name: widened(one, known_to) for name, one in zip(QUANTILES, found, strict=True)},
        known_to=known_to,
        further=further(values_ns),
    )


def widened(found: QuantileEstimate | None, known_to: KnownTo | None) -> QuantileEstimate | None:
    """A quantile whose interval allows for what the instrument does not know of each time.

    Args:
        found: the quantile by counting alone.
        known_to: the instrument; None changes nothing.
    """
    if found is None or found.ends_ns is None or known_to is None:
        return found
    low_ns, high_ns = known_to.widen(*found.ends_ns)
    return replace(found, low_ns=low_ns, high_ns=high_ns)


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
