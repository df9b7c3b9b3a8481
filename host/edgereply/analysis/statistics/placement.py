"""Many samples at once: who tends to be later than whom, for every pair.

Brunner and Munzel's test needs no equal shapes: it asks whether an answer of one sample is later than one of the other
more often than not. For k samples the placements of all pairs come from one product of matrices over a common grid, so
that 200 runs (19,900 pairs) take seconds. Dependent answers count as the independent ones they are worth.

Source: Brunner, E. and Munzel, U. (2000), Biometrical Journal 42, 17-25.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.distributions import student_sf
from edgereply.analysis.arrays.ordered import average_ranks
from edgereply.analysis.statistics.dependence import measure_dependence
from edgereply.analysis.statistics.quantile_intervals import tail_dependence

GRID = 8192


@dataclass(frozen=True, slots=True)
class Placements:
    """Every pair (i, j).

    Attributes:
        later: shape (k, k): chance that an answer of j is later than one of i, ties counted half.
        p_values: shape (k, k), symmetric, 1 on the diagonal: two-sided, of "neither tends to be later".
    """

    later: Floats
    p_values: Floats


def independent_count(values_ns: Int64s) -> float:
    """Independent answers a sample is worth for a test on ranks.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, not empty.

    Returns:
        The smaller of what the ranks and what the halves below and above the median are worth; at most n. 0 where
        answers depend on each other over so long stretches that it cannot be judged: do not test such a sample.
    """
    ranks = measure_dependence(average_ranks(values_ns)).effective_count
    return min(ranks, tail_dependence(values_ns, 0.5).effective_count)


def place_all(samples_ns: Sequence[Int64s], worth: Sequence[float]) -> Placements:
    """Compare all pairs of samples.

    Args:
        samples_ns: each of shape (n,), int64, nanoseconds, any order, not empty.
        worth: independent answers each is worth, above 0, at most n.

    Returns:
        See `Placements`. Exact where there are up to 8,192 different values, otherwise the values are first put into
        as many cells of about equal content; what falls into one cell counts as tied.

    Raises:
        ValueError: an empty sample.
    """
    if any(sample.size == 0 for sample in samples_ns):
        raise ValueError("a comparison takes samples that are not empty")
    edges = _grid(samples_ns)
    shares = np.array([np.bincount(np.searchsorted(edges, s), minlength=edges.size) / s.size for s in samples_ns])
    below = np.cumsum(shares, axis=1) - shares / 2.0
    later = below @ shares.T
    spread = np.maximum(np.square(below) @ shares.T - np.square(later), 0.0)
    count = np.asarray(worth, np.float64)
    # spread[i, j] is of j's answers placed in i; n / (n - 1) makes it the sample variance.
    parts = spread * (count / np.maximum(count - 1.0, 1.0)) / count
    variance = parts + parts.T
    freedom = np.square(variance) / np.maximum(_freedom(parts, count), 1e-300)
    distance = np.abs(later - 0.5)
    apart = distance / np.sqrt(np.maximum(variance, 1e-300))
    p_values = np.where(variance > 0.0, 2.0 * student_sf(apart, np.maximum(freedom, 1.0)), (distance == 0.0) * 1.0)
    # Samples that do not overlap have no spread to judge by: no order of so few answers is less likely than this.
    p_values = np.clip(np.maximum(p_values, _least_p(count)), 0.0, 1.0)
    np.fill_diagonal(p_values, 1.0)
    return Placements(later, (p_values + p_values.T) / 2.0)


def _grid(samples_ns: Sequence[Int64s]) -> Int64s:
    pooled = np.sort(np.concatenate(samples_ns))
    different = pooled[np.diff(pooled, prepend=pooled[0] - 1) > 0]
    if different.size <= GRID:
        return different
    places = np.unique(np.linspace(0, pooled.size - 1, GRID).astype(np.int64))
    return np.unique(pooled[places])


def _freedom(parts: Floats, count: Floats) -> Floats:
    each = np.square(parts) / np.maximum(count - 1.0, 1.0)
    total: Floats = each + each.T
    return total


def _least_p(count: Floats) -> Floats:
    both = count[:, None] + count[None, :]
    orders = special.gammaln(both + 1.0) - special.gammaln(count + 1.0)[:, None] - special.gammaln(count + 1.0)[None, :]
    least: Floats = np.minimum(1.0, 2.0 * np.exp(-orders))
    return least
