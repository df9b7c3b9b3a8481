"""Block bootstrap of quantiles: intervals that stay honest where late answers cluster.

The run is cut into blocks that are drawn with replacement; a block keeps its own clusters. Only
counts below a few hundred thresholds are kept for each block, so a draw costs one row of a matrix
product however long the run is.

Source: Carlstein, E. (1986), Annals of Statistics 14, 1171-1179 (non-overlapping blocks);
Sun, S. and Lahiri, S. N. (2006), Sankhya 68, 130-166 (quantiles under dependence).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.dependence import Dependence, measure_dependence
from edgereply.analysis.intervals import count_needed, quantile_ranks
from edgereply.analysis.quantiles import as_fraction, order_statistics, quantile_rank, quantiles

Method = Literal["order statistics", "block bootstrap"]

DRAWS = 2000
_MOST_BLOCKS = 1000
_MOST_THRESHOLDS = 400
# Fewer blocks than this say too little about how blocks differ.
_FEWEST_BLOCKS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileEstimate:
    """A quantile with its interval and how the interval was found.

    Attributes:
        p: probability of the quantile.
        value_ns: Hyndman-Fan type 1 quantile.
        low_ns: lower end.
        high_ns: upper end.
        method: "order statistics" where answers look independent, else "block bootstrap".
        block_length: answers a block; 1 for order statistics.
    """

    p: float
    value_ns: int
    low_ns: int
    high_ns: int
    method: Method
    block_length: int


def tail_dependence(values_ns: NDArray[np.int64], p: float) -> Dependence:
    """Dependence among the answers above the p-quantile.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        p: probability of the quantile.

    Returns:
        Dependence of the indicator of exceeding it; a tie counts half, or a cluster of equal late
        answers that is itself the quantile would not be seen.
    """
    quantile = quantiles(values_ns, [p])[0]
    above = np.add(values_ns > quantile, values_ns >= quantile, dtype=np.float64)
    return measure_dependence(above)


def quantile_interval(
    values_ns: NDArray[np.int64], p: float, confidence: float = 0.95, seed: int = 0
) -> QuantileEstimate | None:
    """Interval for a quantile that allows for clustering where it shows.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        p: probability of the quantile, strictly within 0 to 1.
        confidence: strictly within 0 to 1.
        seed: seed of the draws, so that a report can be repeated.

    Returns:
        The estimate, or None where the sample is too small, counted in effective answers.
    """
    ranks = quantile_ranks(values_ns.size, p, confidence)
    if ranks is None:
        return None
    value = int(quantiles(values_ns, [p])[0])
    dependence = tail_dependence(values_ns, p)
    if not dependence.dependent:
        low, high = order_statistics(values_ns, [ranks.lower_rank, ranks.upper_rank]).tolist()
        return QuantileEstimate(
            p=p, value_ns=value, low_ns=low, high_ns=high, method="order statistics", block_length=1
        )
    blocks = values_ns.size // dependence.block_length
    if dependence.effective_count < count_needed(p, confidence) or blocks < _FEWEST_BLOCKS:
        return None
    draws = quantile_draws(values_ns, p, dependence.block_length, np.random.default_rng(seed))
    side = (1.0 - confidence) / 2.0
    low, high = quantiles(draws, [side, 1.0 - side]).tolist()
    return QuantileEstimate(
        p=p,
        value_ns=value,
        low_ns=low,
        high_ns=high,
        method="block bootstrap",
        block_length=dependence.block_length,
    )


def block_bounds(count: int, block_length: int) -> NDArray[np.int64]:
    """Cut n values into equal blocks of at least the given length, at most 1,000 of them.

    Args:
        count: number of values.
        block_length: fewest values a block should hold.

    Returns:
        Shape (blocks + 1,), int64, from 0 to count.
    """
    blocks = max(1, min(count // max(block_length, 1), _MOST_BLOCKS))
    bounds: NDArray[np.int64] = (np.arange(blocks + 1) * count) // blocks
    return bounds


def quantile_draws(
    values_ns: NDArray[np.int64],
    p: float,
    block_length: int,
    rng: np.random.Generator,
    draws: int = DRAWS,
) -> NDArray[np.int64]:
    """Quantiles of resampled runs.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        p: probability of the quantile, strictly within 0 to 1.
        block_length: answers a block, 1 for independent answers.
        rng: source of the draws.
        draws: number of resampled runs.

    Returns:
        Shape (draws,), int64, nanoseconds.
    """
    count, exact = values_ns.size, as_fraction(p)
    if block_length <= 1:
        # The k-th of n uniform ranks has a known distribution: no resampling is needed.
        k = quantile_rank(count, p)
        ranks = np.ceil(count * rng.beta(k, count - k + 1, draws)).astype(np.int64)
        return order_statistics(values_ns, np.clip(ranks, 1, count).tolist())
    bounds = block_bounds(count, block_length)
    sizes = np.diff(bounds)
    thresholds = _thresholds(values_ns, p, bounds)
    counts = _counts_at_or_below(values_ns, thresholds, bounds)
    blocks = sizes.size
    chosen = rng.integers(0, blocks, (draws, blocks)) + blocks * np.arange(draws)[:, None]
    weights = np.bincount(chosen.ravel(), minlength=draws * blocks).reshape(draws, blocks)
    reached = weights.astype(np.float64) @ counts.astype(np.float64)
    totals = weights @ sizes
    needed = [max(1, -(-exact.numerator * n // exact.denominator)) for n in totals.tolist()]
    enough = reached >= np.array(needed)[:, None]
    # A draw past the last threshold is cut there; thresholds reach six standard errors out.
    first = np.where(enough.any(axis=1), enough.argmax(axis=1), thresholds.size - 1)
    found: NDArray[np.int64] = thresholds[first]
    return found


def _thresholds(values_ns: NDArray[np.int64], p: float, bounds: NDArray[np.int64]) -> NDArray[np.int64]:
    """Order statistics around the quantile, as far out as draws can fall."""
    count = values_ns.size
    below = values_ns <= quantiles(values_ns, [p])[0]
    per_block = np.add.reduceat(below, bounds[:-1], dtype=np.int64)
    blocks = per_block.size
    spread = math.sqrt(blocks * float(per_block.var())) if blocks > 1 else math.sqrt(count)
    reach = 6.0 * max(spread, math.sqrt(count * p * (1.0 - p))) + 2.0
    first = max(1, math.floor(count * p - reach))
    last = min(count, math.ceil(count * p + reach))
    ranks = np.unique(np.linspace(first, last, min(_MOST_THRESHOLDS, last - first + 1)).astype(np.int64))
    return np.unique(order_statistics(values_ns, ranks.tolist()))


def _counts_at_or_below(
    values_ns: NDArray[np.int64], thresholds: NDArray[np.int64], bounds: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Shape (blocks, thresholds): how many values of each block do not exceed each threshold."""
    counts = np.empty((bounds.size - 1, thresholds.size), dtype=np.int64)
    for block, (start, end) in enumerate(itertools.pairwise(bounds)):
        places = np.searchsorted(thresholds, values_ns[start:end], side="left")
        counts[block] = np.bincount(places, minlength=thresholds.size + 1)[:-1]
    return counts.cumsum(axis=1)
