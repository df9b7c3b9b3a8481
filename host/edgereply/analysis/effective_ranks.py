"""Order statistics around a quantile for a sample that is worth fewer answers than it has.

The exact ranks by the binomial distribution, taken at a real number of answers (the incomplete beta function knows no
whole numbers) and scaled to those that are there.
"""

from __future__ import annotations

import math

import scipy
from scipy import special


def least_worth(side: int, p: float, confidence: float) -> float:
    """Answers that one end takes: all of them beyond the quantile by chance half as often as the interval may fail."""
    return math.log((1.0 - confidence) / 2.0) / math.log(p if side else 1.0 - p)


def scaled_ranks(count: int, effective: float, p: float, confidence: float) -> tuple[int, int]:
    """Exact ranks for a sample of `effective` answers, a real number, scaled to `count`."""
    return scaled_rank(count, effective, p, confidence, 0), scaled_rank(count, effective, p, confidence, 1)


def scaled_rank(count: int, effective: float, p: float, confidence: float, side: int) -> int:
    """One of `scaled_ranks`: 0 the lower, 1 the upper."""
    miss = (1.0 - confidence) / 2.0
    beta = special.betainc if side else special.betaincc

    def excess(rank: float) -> float:
        return float(beta(rank, effective - rank + 1.0, p)) - miss

    tiny = 1e-9
    rank = float(scipy.optimize.brentq(excess, tiny, effective + 1.0 - tiny)) * (count / effective)
    return min(count, math.ceil(rank)) if side else max(1, math.floor(rank))
