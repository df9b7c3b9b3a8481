"""Conditions measured in interleaved blocks: differences block by block, so that drift favours none.

In every round each condition is measured once, in random order, with the same seed of arrivals. What changes slowly
(heat, other work on the board) moves all conditions of a round alike and falls out of the differences.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.intervals import quantile_ranks
from edgereply.analysis.statistics.multiple_tests import holm

MOST_EXACT = 16
DRAWS = 65_536


@dataclass(frozen=True, slots=True)
class BlockDifference:
    """Second condition minus first, over rounds.

    Attributes:
        first, second: names of the conditions.
        median_ns: median of the differences of the rounds.
        low_ns, high_ns: order-statistic interval of that median; None below the rounds it takes.
        p_value: sign-flip permutation test of "no difference", two-sided.
        p_adjusted: the same, adjusted by Holm over all pairs.
        real: True where the adjusted p-value is below 1 - confidence.
        rounds: how many there were.
    """

    first: str
    second: str
    median_ns: int
    low_ns: int | None
    high_ns: int | None
    p_value: float
    p_adjusted: float
    real: bool
    rounds: int


def compare_blocks(values_ns: dict[str, Int64s], confidence: float = 0.95) -> list[BlockDifference]:
    """Compare every pair of conditions.

    Args:
        values_ns: by condition, shape (rounds,), int64: one figure (such as the median reaction time) a round, in the
            order of the rounds.
        confidence: of the intervals, and 1 - the chance of any false "real" over all pairs.

    Returns:
        One difference a pair, in the order of the names.

    Raises:
        ValueError: conditions with different numbers of rounds, or none.

    Source: sign-flip (Fisher) randomisation test; Holm 1979 for the family.
    """
    lengths = {len(column) for column in values_ns.values()}
    if len(lengths) > 1 or 0 in lengths:
        raise ValueError(f"every condition needs the same number of rounds, at least one; got {sorted(lengths)}")
    names = list(values_ns)
    pairs = [(a, b) for i, a in enumerate(names) for b in names[i + 1 :]]
    differences = [values_ns[b] - values_ns[a] for a, b in pairs]
    p_values = [sign_flip_p(difference) for difference in differences]
    adjusted = holm(p_values) if p_values else []
    return [
        _difference(a, b, difference, p, float(q), confidence)
        for (a, b), difference, p, q in zip(pairs, differences, p_values, adjusted, strict=True)
    ]


def sign_flip_p(difference_ns: Int64s) -> float:
    """Two-sided p-value of "the differences are as likely negative as positive", from the absolute sum.

    Exact up to 16 rounds; beyond, from 65,536 seeded draws, counting the observed one among them.

    Args:
        difference_ns: shape (rounds,), int64.
    """
    count = len(difference_ns)
    observed = abs(int(difference_ns.sum()))
    if count <= MOST_EXACT:
        return float(np.mean(np.abs(_all_signs(count) @ difference_ns) >= observed))
    signs = np.random.default_rng(0).choice(np.array([-1, 1], np.int64), size=(DRAWS, count))
    return float((1 + np.count_nonzero(np.abs(signs @ difference_ns) >= observed)) / (DRAWS + 1))


@lru_cache(maxsize=2)
def _all_signs(count: int) -> Int64s:
    return np.array(list(product((-1, 1), repeat=count)), np.int64)


def _difference(
    first: str, second: str, difference: Int64s, p: float, adjusted: float, confidence: float
) -> BlockDifference:
    ordered = np.sort(difference)
    ranks = quantile_ranks(len(ordered), 0.5, confidence)
    return BlockDifference(
        first,
        second,
        int(np.median(ordered)),
        None if ranks is None else int(ordered[ranks.lower_rank - 1]),
        None if ranks is None else int(ordered[ranks.upper_rank - 1]),
        p,
        adjusted,
        adjusted < 1 - confidence,
        len(ordered),
    )
