"""Rank test of two samples and the shift between them, exact to the nanosecond.

Mann and Whitney's test asks whether answers of one sample tend to be later than those of the
other; Hodges and Lehmann's shift says by how much: the median of all differences. Both count
pairs with binary searches, so a million answers each need no million times million table.

Sources: Hollander, M. and Wolfe, D. A., Nonparametric Statistical Methods, chapter 4;
Brunner, E. and Munzel, U. (2000), Biometrical Journal 42, 17-25 (variance without equal shapes).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import normal_isf, normal_sf, student_isf, student_sf
from edgereply.analysis.statistics.exceedances import block_bounds

RankMethod = Literal["exact", "normal", "block variance"]
_MOST_FOR_EXACT = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class RankTest:
    """Does the second sample tend to be later?

    Attributes:
        u: pairs in which the second sample's value is larger, ties counted half.
        later_probability: u over all pairs: chance that an answer of the second sample is the
            later one.
        p_two_sided: chance of a u as far from half of all pairs, were there no difference.
        shift_ns: Hodges-Lehmann shift, second minus first; a half where two middle pairs differ.
        low_ns: lower end of the shift's interval, None where samples are too small.
        high_ns: upper end.
        method: "exact" (small, no ties), "normal" (tie-corrected, continuity-corrected) or
            "block variance" (answers depend on each other).
    """

    u: float
    later_probability: float
    p_two_sided: float
    shift_ns: float
    low_ns: int | None
    high_ns: int | None
    method: RankMethod


def rank_test(
    first_ns: Int64s,
    second_ns: Int64s,
    confidence: float = 0.95,
    block_lengths: tuple[int, int] = (1, 1),
) -> RankTest:
    """Compare two independent samples by ranks.

    Args:
        first_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        second_ns: shape (m,), int64, nanoseconds, in order of time, not empty.
        confidence: of the shift's interval, strictly within 0 to 1.
        block_lengths: answers a block of each sample; anything above 1 takes the variance from
            the blocks instead of assuming independence.

    Returns:
        See `RankTest`.

    Raises:
        ValueError: an empty sample.
    """
    if first_ns.size == 0 or second_ns.size == 0:
        raise ValueError("a rank test takes two samples that are not empty")
    first, second = np.sort(first_ns), np.sort(second_ns)
    pairs = first.size * second.size
    u = (_pairs_below(first, second, "left") + _pairs_below(first, second, "right")) / 2.0
    ties = _tie_sizes(first, second)
    side = (1.0 - confidence) / 2.0
    if max(block_lengths) > 1:
        method: RankMethod = "block variance"
        spread, freedom = _block_spread(first_ns, second_ns, first, second, block_lengths)
        p = 2.0 * student_sf(abs(u - pairs / 2.0) / spread, freedom) if spread else float(u == pairs / 2.0)
        lower = math.floor(pairs / 2.0 - student_isf(side, freedom) * spread)
    elif max(first.size, second.size) <= _MOST_FOR_EXACT and ties.size == 0:
        method = "exact"
        chances = u_distribution(first.size, second.size)
        tail = float(chances[: int(min(u, pairs - u)) + 1].sum())
        p = min(1.0, 2.0 * tail)
        lower = int(np.searchsorted(chances.cumsum(), side, side="right"))
    else:
        method = "normal"
        spread = _tied_spread(first.size, second.size, ties)
        distance = max(abs(u - pairs / 2.0) - 0.5, 0.0)
        p = 2.0 * normal_sf(distance / spread) if spread else 1.0
        lower = math.floor(pairs / 2.0 - 0.5 - normal_isf(side) * spread)
    fits = lower >= 1
    return RankTest(
        u=u,
        later_probability=u / pairs,
        p_two_sided=min(p, 1.0),
        shift_ns=hodges_lehmann(first, second),
        low_ns=difference_at_rank(first, second, lower) if fits else None,
        high_ns=difference_at_rank(first, second, pairs + 1 - lower) if fits else None,
        method=method,
    )


def hodges_lehmann(first_sorted: Int64s, second_sorted: Int64s) -> float:
    """Median of all differences second - first.

    Args:
        first_sorted: shape (n,), int64, nanoseconds, rising.
        second_sorted: shape (m,), int64, nanoseconds, rising.

    Returns:
        The shift, nanoseconds.
    """
    pairs = first_sorted.size * second_sorted.size
    low = difference_at_rank(first_sorted, second_sorted, (pairs + 1) // 2)
    if pairs % 2:
        return float(low)
    return (low + difference_at_rank(first_sorted, second_sorted, pairs // 2 + 1)) / 2.0


def difference_at_rank(first_sorted: Int64s, second_sorted: Int64s, rank: int) -> int:
    """The rank-th smallest of all differences second - first, by bisection over nanoseconds.

    Args:
        first_sorted: shape (n,), int64, nanoseconds, rising.
        second_sorted: shape (m,), int64, nanoseconds, rising.
        rank: 1 to n * m.

    Returns:
        The difference, nanoseconds.
    """
    low = int(second_sorted[0]) - int(first_sorted[-1])
    high = int(second_sorted[-1]) - int(first_sorted[0])
    while low < high:
        middle = (low + high) // 2
        reached = int(np.searchsorted(second_sorted, first_sorted + middle, side="right").sum())
        if reached >= rank:
            high = middle
        else:
            low = middle + 1
    return low


def u_distribution(first_count: int, second_count: int) -> Floats:
    """Probabilities of u = 0, 1, ... n m when neither sample is later and nothing ties.

    Args:
        first_count: n, at least 1.
        second_count: m, at least 1.

    Returns:
        Shape (n m + 1,), adding up to 1: the coefficients of the Gaussian binomial.
    """
    chances = np.zeros(first_count * second_count + 1)
    chances[0] = 1.0
    for i in range(1, first_count + 1):
        # times (1 - x^(m + i)) / (1 - x^i), scaled by i / (m + i) so that the sum stays 1
        step = second_count + i
        chances[step:] -= chances[:-step].copy()
        for offset in range(i):
            chances[offset::i] = chances[offset::i].cumsum()
        chances *= i / step
    return chances


def _pairs_below(first: Int64s, second: Int64s, side: Literal["left", "right"]) -> int:
    return int(np.searchsorted(first, second, side=side).sum())


def _tie_sizes(first: Int64s, second: Int64s) -> Floats:
    sizes = np.unique(np.concatenate([first, second]), return_counts=True)[1]
    return sizes[sizes > 1].astype(np.float64)


def _tied_spread(n: int, m: int, ties: Floats) -> float:
    total = n + m
    correction = float((ties**3 - ties).sum()) / (total * (total - 1.0)) if total > 1 else 0.0
    return math.sqrt(max(n * m / 12.0 * (total + 1.0 - correction), 0.0))


def _block_spread(
    first_ns: Int64s,
    second_ns: Int64s,
    first: Int64s,
    second: Int64s,
    block_lengths: tuple[int, int],
) -> tuple[float, float]:
    """Standard deviation of u and its degrees of freedom, from how blocks differ in placement."""
    variances, freedoms = [], []
    for values, other, length in (
        (first_ns, second, block_lengths[0]),
        (second_ns, first, block_lengths[1]),
    ):
        placed = (np.searchsorted(other, values, side="left") + np.searchsorted(other, values, side="right")) / (
            2.0 * other.size
        )
        bounds = block_bounds(values.size, length)
        sizes = np.diff(bounds)
        means = np.add.reduceat(placed, bounds[:-1]) / sizes
        blocks = sizes.size
        variances.append(float(means.var(ddof=1)) / blocks if blocks > 1 else math.inf)
        freedoms.append(max(blocks - 1, 1))
    total = sum(variances)
    if total == 0.0 or math.isinf(total):
        return (0.0 if total == 0.0 else first.size * second.size / 2.0), 1.0
    freedom = total**2 / sum(v**2 / f for v, f in zip(variances, freedoms, strict=True))
    return math.sqrt(total) * first.size * second.size, freedom
