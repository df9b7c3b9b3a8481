"""Bounds that hold most of the population, not just a parameter, with stated confidence.

Wilks's bounds are order statistics and assume no shape.

Sources: Wilks, S. S. (1941), Annals of Mathematical Statistics 12, 91-96; NIST/SEMATECH e-Handbook 7.2.6.4.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.compiled import special
from edgereply.analysis.arrays.quantiles import as_fraction, order_statistics


@dataclass(frozen=True, slots=True, kw_only=True)
class UpperBound:
    """A value that at least `share` of all answers do not exceed.

    Attributes:
        bound_ns: the value, one of the sample.
        rank_from_top: 1 for the largest value, 2 for the next, ...
        confidence: reached, at least what was asked for.
    """

    bound_ns: int
    rank_from_top: int
    confidence: float


def wilks_count(share: float, confidence: float = 0.95, order: int = 1, sides: Literal[1, 2] = 1) -> int:
    """Smallest sample whose extreme values bound a share of the population.

    Args:
        share: of the population, strictly within 0 to 1.
        confidence: strictly within 0 to 1.
        order: 1 for the most extreme value of each bounded side, 2 for the second, ...
        sides: 1 for an upper bound, 2 for a bound on both sides.

    Returns:
        Number of independent answers: 59 for 95 % of the population with confidence 95 %.

    Raises:
        ValueError: share, confidence or order out of range.
    """
    _check(share, confidence)
    if order < 1:
        raise ValueError(f"the order of an extreme value starts at 1, got {order}")
    outside = order * sides
    miss = float(1 - as_fraction(share))
    low, high = outside - 1, outside
    while _confidence(high, outside, miss) < confidence:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _confidence(middle, outside, miss) >= confidence else (middle, high)
    return high


def upper_bound(values_ns: Int64s, share: float, confidence: float = 0.95) -> UpperBound | None:
    """Lowest measured value that bounds a share of all answers from above.

    Args:
        values_ns: shape (n,), int64, nanoseconds, independent answers in any order.
        share: of all answers, strictly within 0 to 1.
        confidence: strictly within 0 to 1.

    Returns:
        The bound, or None where even the largest value is none; `wilks_count` gives the answers needed.

    Raises:
        ValueError: share or confidence out of range.
    """
    _check(share, confidence)
    count = int(values_ns.size)
    miss = float(1 - as_fraction(share))
    if count == 0 or _confidence(count, 1, miss) < confidence:
        return None
    low, high = 1, count + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if _confidence(count, middle, miss) >= confidence else (low, middle)
    bound = int(order_statistics(values_ns, [count + 1 - low])[0])
    return UpperBound(bound_ns=bound, rank_from_top=low, confidence=_confidence(count, low, miss))


def _confidence(count: int, outside: int, miss: float) -> float:
    """P(at least `outside` of `count` answers fall into the part of size `miss`)."""
    return float(special.betainc(outside, count - outside + 1.0, miss)) if outside <= count else 0.0


def _check(share: float, confidence: float) -> None:
    for what, value in (("a share", share), ("confidence", confidence)):
        if not 0.0 < value < 1.0:
            raise ValueError(f"{what} lies strictly within 0 to 1, got {value!r}")
