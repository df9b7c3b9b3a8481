"""How far marks (late or not, above a quantile or not) depend on each other in order of time.

What `dependence.measure_dependence` finds in an array of 0 and 1, from packed bits: every sum it takes is a count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.arrays.bits import Bits, pack
from edgereply.analysis.arrays.distributions import normal_isf, student_isf
from edgereply.analysis.statistics.dependence import (
    Dependence,
    dispersion_p,
    independent,
    judge_order,
    run_of_lags,
    sampled_bounds,
    stretch_bounds,
    worst_dispersion,
)
from edgereply.analysis.statistics.intervals import ProbabilityInterval, clopper_pearson

# Fewer blocks than this say too little about how blocks differ.
FEWEST_BLOCKS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class TailDependence:
    """How far answers on either side of one threshold depend on each other.

    Attributes:
        block_length: answers a block; 1 where they look independent.
        effective_count: independent answers that would pin the share above the threshold down equally
            well; the number of answers where they look independent, never more.
    """

    block_length: int
    effective_count: float


@dataclass(frozen=True, slots=True, eq=False)
class Exceedances:
    """A mark is 1 where both bits are set, a half where only `reached` is, else 0.

    Attributes:
        above: set where the value is above the threshold.
        reached: set where it is at the threshold or above; the same object where nothing can be at it.
    """

    above: Bits
    reached: Bits

    @property
    def count(self) -> int:
        """Number of marks."""
        return self.above.count

    @property
    def mean(self) -> float:
        """Mean mark."""
        return (self.above.ones + self.reached.ones) / 2 / self.count

    @property
    def squares(self) -> float:
        """Sum of the marks' squares about their mean."""
        above, reached = self.above.ones, self.reached.ones
        return (3 * above + reached) / 4 - (above + reached) ** 2 / 4 / self.count

    def sums(self, bounds: Int64s) -> Floats:
        """Sum of the marks between each bound and the next."""
        return np.diff(self.above.before(bounds) + self.reached.before(bounds)) / 2

    def values(self, start: int, stop: int) -> Floats:
        """Marks from one place up to another."""
        return (self.above.values(start, stop) + self.reached.values(start, stop)) / 2

    def products(self, lag: int) -> float:
        """Sum of mark times the mark `lag` places later."""
        if self.above is self.reached:
            return float(self.above.together(self.above, lag))
        both = (self.above, self.reached)
        return sum(one.together(other, lag) for one in both for other in both) / 4


def exceedances_of(flags: Bools) -> Exceedances:
    """Marks from flags, shape (n,), bool, in order of time."""
    bits = pack(flags)
    return Exceedances(bits, bits)


def exceedances_above(values_ns: Int64s, threshold_ns: int) -> Exceedances:
    """Mark the values above a threshold, shape (n,), int64, in order of time.

    A tie counts half, or a cluster of equal late answers that is the quantile would not be seen.
    """
    return Exceedances(pack(values_ns > threshold_ns), pack(values_ns >= threshold_ns))


def measure_exceedances(marks: Exceedances) -> Dependence:
    """Judge the order of marks; see `dependence.measure_dependence`."""
    count = marks.count
    if count < 2:
        return independent(count)
    mean, squares = marks.mean, marks.squares

    def dispersion(stretches: int) -> float:
        bounds = stretch_bounds(count, stretches)
        if bounds is None:
            return 1.0
        sizes = np.diff(bounds)
        return dispersion_p(sizes, marks.sums(bounds) / sizes - mean, squares)

    def seen() -> Floats:
        return np.concatenate([marks.values(a, b) - mean for a, b in sampled_bounds(count)])

    return judge_order(count, worst_dispersion(count, dispersion), _first_lags(marks, mean, squares), seen)


def share_dependence(marks: Exceedances, confidence: float = 0.95) -> TailDependence:
    """Measure dependence of a share from the marks that make it up.

    Args:
        marks: not empty.
        confidence: for which the few blocks are allowed for.

    Returns:
        See `TailDependence`; an effective count of 0 where there are too few blocks to judge.
    """
    found, count = measure_exceedances(marks), marks.count
    if not found.dependent:
        return TailDependence(block_length=1, effective_count=float(count))
    return TailDependence(
        block_length=found.block_length, effective_count=worth_in_blocks(marks, found.block_length, confidence)
    )


def worth_in_blocks(marks: Exceedances, block_length: int, confidence: float = 0.95) -> float:
    """Independent marks that would pin their share down as well as these do, by how much blocks of them differ.

    Args:
        marks: not empty.
        block_length: marks a block.
        confidence: for which the few blocks are allowed for.

    Returns:
        At most the number of marks; 0 where there are too few blocks to judge.
    """
    count = marks.count
    bounds = block_bounds(count, block_length)
    blocks = bounds.size - 1
    if blocks < FEWEST_BLOCKS:
        return 0.0
    side = (1.0 - confidence) / 2.0
    allowance = (normal_isf(side) / student_isf(side, blocks - 1)) ** 2
    variance = block_variance_of_mean(marks.sums(bounds), np.diff(bounds))
    # Blocks cut clusters in two, half as long ones twice as often: what that costs is seen from both, and put back.
    halves = block_bounds(count, max(1, block_length // 2))
    variance = max(variance, 2.0 * variance - block_variance_of_mean(marks.sums(halves), np.diff(halves)))
    # The marks' own variance, not p (1 - p): a tie that counts half varies less.
    inflation = variance * count / max(marks.squares / count, 1e-300)
    return min(count * allowance / max(inflation, 1.0), float(count))


def block_bounds(count: int, block_length: int) -> Int64s:
    """Cut n values into equal blocks of at least the given length.

    Args:
        count: number of values.
        block_length: fewest values a block should hold.

    Returns:
        Shape (blocks + 1,), int64, from 0 to count.
    """
    blocks = max(1, count // max(block_length, 1))
    bounds: Int64s = (np.arange(blocks + 1) * count) // blocks
    return bounds


def block_variance_of_mean(sums: Floats, sizes: Int64s) -> float:
    """Variance of the mean over infinitely many draws of whole blocks, corrected by b / (b - 1).

    Args:
        sums: of the values in each block; at least two blocks.
        sizes: number of values in each.

    Returns:
        The variance, squared units of the values.
    """
    count, blocks = int(sizes.sum()), sizes.size
    off = sums - float(sums.sum()) / count * sizes
    return float(np.dot(off, off)) / count**2 * blocks / (blocks - 1)


def _first_lags(marks: Exceedances, mean: float, squares: float) -> Floats:
    """Autocorrelation at a few lags, from counts."""
    count = marks.count
    lags = np.arange(1, min(run_of_lags(count), count - 1) + 1)
    if squares == 0.0:
        return np.concatenate([[1.0], np.zeros(lags.size)])
    whole = mean * count
    first = marks.sums(np.concatenate(([0], lags))).cumsum()
    last = whole - marks.sums(np.concatenate(([0], count - lags[::-1]))).cumsum()[::-1]
    products = np.array([marks.products(k) for k in lags.tolist()])
    centred = products - mean * (2 * whole - first - last) + (count - lags) * mean**2
    return np.concatenate([[1.0], centred / squares])


def share_interval(marked: Bools, confidence: float = 0.95) -> ProbabilityInterval | None:
    """Two-sided interval for the share of marked answers.

    Args:
        marked: shape (n,), bool, in order of time, not empty.
        confidence: strictly within 0 to 1.

    Returns:
        Clopper and Pearson's limits for as many independent answers as these are worth; None where they are too
        clustered to say.
    """
    worth = share_dependence(exceedances_of(marked), confidence).effective_count
    if worth < 1.0:
        return None
    return clopper_pearson(worth * float(np.count_nonzero(marked)) / marked.size, worth, confidence)
