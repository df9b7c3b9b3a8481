"""Summaries of runs larger than memory, that merge exactly and state their error.

Values are counted in buckets whose width is a fixed fraction of the value: a bucket keeps the
leading bits. Counting and merging are exact integer sums, so the order of blocks and the shape of
the merge tree make no difference; only the place of a value inside its bucket is lost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.quantiles import quantile_rank


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Counts of values by leading bits, with exact count, sum, minimum and maximum.

    Attributes:
        bits: leading bits kept; the relative error of a quantile is at most 2 ** -bits.
        keys: shape (k,), int64, buckets that hold values, by rising value.
        counts: shape (k,), int64.
        total: exact sum of all values, nanoseconds.
        squares: exact sum of their squares.
        min_ns: smallest value, None when empty.
        max_ns: largest value, None when empty.
    """

    bits: int = 12
    keys: Int64s = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    counts: Int64s = field(default_factory=lambda: np.empty(0, dtype=np.int64))
    total: int = 0
    squares: int = 0
    min_ns: int | None = None
    max_ns: int | None = None

    @property
    def count(self) -> int:
        """Number of values."""
        return int(self.counts.sum())

    @property
    def relative_error(self) -> float:
        """Largest distance of a quantile from the exact type 1 quantile, as a fraction of it."""
        return float(Fraction(1, 2**self.bits))

    def mean_ns(self) -> float | None:
        """Exact mean, rounded once; None when empty."""
        return float(Fraction(self.total, self.count)) if self.counts.size else None

    def std_ns(self) -> float | None:
        """Exact standard deviation (divisor n - 1), rounded once; None below two values."""
        count = self.count
        if count < 2:
            return None
        return math.sqrt(Fraction(count * self.squares - self.total**2, count * (count - 1)))

    def quantile(self, p: float) -> int:
        """Quantile, within `relative_error` of Hyndman-Fan type 1 of all values.

        Args:
            p: probability, 0 to 1.

        Returns:
            Nanoseconds, never outside the range measured.

        Raises:
            ValueError: empty, or p outside 0 to 1.
        """
        rank = quantile_rank(self.count, p)
        place = int(np.searchsorted(self.counts.cumsum(), rank))
        middle = _middle(int(self.keys[place]), self.bits)
        assert self.min_ns is not None
        assert self.max_ns is not None
        return min(max(middle, self.min_ns), self.max_ns)


def sketch(values_ns: Int64s, bits: int = 12) -> Sketch:
    """Count one block of values.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order, each below 2 ** 53 either side of 0.
        bits: leading bits to keep, 4 to 20.

    Returns:
        The sketch.

    Raises:
        ValueError: bits or a value out of range.
    """
    if not 4 <= bits <= 20:
        raise ValueError(f"a sketch keeps 4 to 20 bits, got {bits}")
    if values_ns.size == 0:
        return Sketch(bits=bits)
    low, high = int(values_ns.min()), int(values_ns.max())
    if max(-low, high) >= 2**53:
        raise ValueError(f"a sketch takes values below 2 ** 53 ns, got {low} to {high}")
    keys, counts = _counted(_keys(values_ns, bits))
    return Sketch(
        bits=bits,
        keys=keys,
        counts=counts.astype(np.int64),
        total=_exact_sum(values_ns),
        squares=_exact_squares(values_ns),
        min_ns=low,
        max_ns=high,
    )


def merge(first: Sketch, second: Sketch) -> Sketch:
    """Add two sketches; the result is that of all values at once.

    Args:
        first: any sketch.
        second: one that keeps as many bits.

    Returns:
        The sum.

    Raises:
        ValueError: the sketches keep different numbers of bits.
    """
    if first.bits != second.bits:
        raise ValueError(f"sketches of {first.bits} and {second.bits} bits do not merge")
    keys, places = np.unique(np.concatenate([first.keys, second.keys]), return_inverse=True)
    counts = np.zeros(keys.size, dtype=np.int64)
    np.add.at(counts, places, np.concatenate([first.counts, second.counts]))
    lows = [s.min_ns for s in (first, second) if s.min_ns is not None]
    highs = [s.max_ns for s in (first, second) if s.max_ns is not None]
    return Sketch(
        bits=first.bits,
        keys=keys,
        counts=counts,
        total=first.total + second.total,
        squares=first.squares + second.squares,
        min_ns=min(lows, default=None),
        max_ns=max(highs, default=None),
    )


def _keys(values_ns: Int64s, bits: int) -> Int64s:
    """Exponent above the kept bits, then the kept bits: rises with the value."""
    size = np.abs(values_ns)
    # A float64 holds values below 2 ** 53 exactly, so its exponent is their bit length.
    length = np.frexp(size.astype(np.float64))[1].astype(np.int64)
    shift = np.maximum(length - bits, 0)
    keys: Int64s = (shift << bits) + (size >> shift)
    return np.where(values_ns < 0, -keys, keys)


def _counted(keys: Int64s) -> tuple[Int64s, Int64s]:
    """The keys that occur, rising, and how often; not empty. Keys are so few that counting them beats sorting them."""
    low, high = int(keys.min()), int(keys.max())
    if high - low > 4 * keys.size + (1 << 16):
        found, counts = np.unique(keys, return_counts=True)
        return found, counts
    counts = np.bincount(keys - low)
    places = np.flatnonzero(counts)
    return places + low, counts[places]


def _middle(key: int, bits: int) -> int:
    size = abs(key)
    shift = size >> bits
    kept = size & ((1 << bits) - 1)
    middle = (kept << shift) + ((1 << shift) >> 1)
    return -middle if key < 0 else middle


def _exact_sum(values: Int64s) -> int:
    return (int((values >> 32).sum()) << 32) + int((values & 0xFFFF_FFFF).sum())


def _exact_squares(values: Int64s) -> int:
    """Sum of squares from 28-bit halves, whose products fit into 64 bits."""
    size = np.abs(values)
    high, low = size >> 28, size & 0xFFF_FFFF
    return (_exact_sum(high * high) << 56) + (_exact_sum(high * low) << 29) + _exact_sum(low * low)
