"""Exact sample quantiles: always a value that was measured, never one in between.

Every figure this project prints is Hyndman and Fan's type 1, the inverse of the empirical distribution:
the smallest measured value that at least a fraction p of the values do not exceed. It is chosen because

* it is an order statistic, so integer nanoseconds go in and come out, and the distribution-free
  intervals of `intervals` (which are order statistics too) always contain it;
* it says what a deadline asks: "a fraction p of the answers were at least this fast";
* with several modes, interpolation would report reaction times that the board never shows.

Source: Hyndman, R. J. and Fan, Y. (1996), Sample Quantiles in Statistical Packages,
The American Statistician 50(4), 361-365.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.ordered import ordered

# From here on counting is cheaper than partitioning a copy.
FEWEST_COUNTED = 1 << 20


def as_fraction(p: float) -> Fraction:
    """Read a probability as the decimal that was written.

    0.07 in binary is slightly more than 7/100, which would push rank ceil(100 p) from 7 to 8.

    Args:
        p: probability, 0 to 1.

    Returns:
        The decimal as an exact fraction.

    Raises:
        ValueError: p is not within 0 to 1.
    """
    if not 0.0 <= p <= 1.0:
        raise ValueError(f"a probability lies within 0 to 1, got {p!r}")
    return Fraction(repr(float(p)))


def quantile_rank(count: int, p: float) -> int:
    """Rank (1 = smallest) of the type 1 quantile among `count` values.

    Args:
        count: number of values, at least 1.
        p: probability, 0 to 1.

    Returns:
        ceil(count * p), at least 1.

    Raises:
        ValueError: no values, or p outside 0 to 1.
    """
    if count < 1:
        raise ValueError("an empty sample has no quantile")
    exact = as_fraction(p) * count
    return max(1, -(-exact.numerator // exact.denominator))


def order_statistics(values_ns: Int64s, ranks: Sequence[int]) -> Int64s:
    """Pick the values at the given ranks without sorting everything.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order; left as it is.
        ranks: ranks from 1 (smallest) to n (largest), any order, repeats allowed.

    Returns:
        Shape (len(ranks),), int64, nanoseconds, in the order of `ranks`.

    Raises:
        ValueError: a rank lies outside the sample.
    """
    places = np.asarray(ranks, dtype=np.int64) - 1
    if places.size == 0:
        return np.empty(0, dtype=np.int64)
    if places.min() < 0 or places.max() >= values_ns.size:
        raise ValueError(f"ranks must lie within 1 to {values_ns.size}, got {sorted(ranks)}")
    if values_ns.size > FEWEST_COUNTED and values_ns.dtype == np.int64:
        return ordered(values_ns).at(places)
    picked: Int64s = np.partition(values_ns, np.unique(places))[places]
    return picked


def quantiles(values_ns: Int64s, probabilities: Sequence[float]) -> Int64s:
    """Exact quantiles, Hyndman-Fan type 1.

    Args:
        values_ns: shape (n,), int64, nanoseconds, any order; left as it is.
        probabilities: each 0 to 1.

    Returns:
        Shape (len(probabilities),), int64, nanoseconds.

    Raises:
        ValueError: empty sample, or a probability outside 0 to 1.
    """
    return order_statistics(values_ns, [quantile_rank(values_ns.size, p) for p in probabilities])
