"""Two runs side by side: is the second later, where in the distribution, and by how much."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.bootstrap import quantile_draws, tail_dependence
from edgereply.analysis.dependence import measure_dependence
from edgereply.analysis.families import holm
from edgereply.analysis.intervals import count_needed
from edgereply.analysis.quantiles import quantiles
from edgereply.analysis.ranks import RankTest, rank_test

Decision = Literal["different", "equivalent", "different but within the margin", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileDifference:
    """One quantile, second minus first.

    Attributes:
        p: probability of the quantile.
        first_ns: the first run's quantile.
        second_ns: the second run's.
        difference_ns: second_ns - first_ns.
        low_ns: lower end of the interval, allowing for clusters as `bootstrap` does.
        high_ns: upper end.
        p_value: chance of a difference as far from 0, were there none.
        p_adjusted: the same, adjusted by Holm over all questions of the comparison.
        block_lengths: answers a block in each run; 1 where answers look independent.
        decision: at the comparison's confidence, Holm-adjusted. Equivalence is claimed where the
            interval of confidence 1 - 2 alpha lies inside the margin (two one-sided tests).
    """

    p: float
    first_ns: int
    second_ns: int
    difference_ns: int
    low_ns: int
    high_ns: int
    p_value: float
    p_adjusted: float
    block_lengths: tuple[int, int]
    decision: Decision


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """All questions put to two runs.

    Attributes:
        ranks: Mann-Whitney test and Hodges-Lehmann shift.
        ranks_p_adjusted: its p-value, adjusted by Holm together with the quantiles'.
        differences: by rising p, only the quantiles both runs can support.
        needed: answers each run would need for the quantiles left out, by p.
        confidence: of every interval.
        margin_ns: differences up to this do not matter; None when not given.
    """

    ranks: RankTest
    ranks_p_adjusted: float
    differences: tuple[QuantileDifference, ...]
    needed: dict[float, int]
    confidence: float
    margin_ns: int | None


@dataclass(frozen=True, slots=True)
class _Draws:
    p: float
    values: tuple[int, int]
    drawn: NDArray[np.int64]
    p_value: float
    block_lengths: tuple[int, int]


def compare(
    first_ns: NDArray[np.int64],
    second_ns: NDArray[np.int64],
    *,
    probabilities: Sequence[float] = (0.5, 0.9, 0.99, 0.999),
    confidence: float = 0.95,
    margin_ns: int | None = None,
    seed: int = 0,
) -> Comparison:
    """Compare two runs measured independently of each other.

    Args:
        first_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        second_ns: shape (m,), int64, nanoseconds, in order of time, not empty.
        probabilities: quantiles to compare, each strictly within 0 to 1.
        confidence: of intervals; 1 - confidence is the family's error rate.
        margin_ns: a difference up to this is of no consequence; asks for equivalence too.
        seed: seed of the draws.

    Returns:
        See `Comparison`.

    Raises:
        ValueError: an empty sample or a negative margin.
    """
    if margin_ns is not None and margin_ns < 0:
        raise ValueError(f"an equivalence margin is not negative, got {margin_ns} ns")
    bulk = (measure_dependence(first_ns), measure_dependence(second_ns))
    ranks = rank_test(first_ns, second_ns, confidence, (bulk[0].block_length, bulk[1].block_length))
    rng = np.random.default_rng(seed)
    asked = sorted(set(probabilities))
    found = [draws for p in asked if (draws := _draw(first_ns, second_ns, p, confidence, rng)) is not None]
    adjusted = holm([ranks.p_two_sided, *(draws.p_value for draws in found)])
    return Comparison(
        ranks=ranks,
        ranks_p_adjusted=adjusted[0],
        differences=tuple(
            _decide(draws, p_adjusted, confidence, margin_ns)
            for draws, p_adjusted in zip(found, adjusted[1:], strict=True)
        ),
        needed={p: count_needed(p, confidence) for p in asked if p not in {draws.p for draws in found}},
        confidence=confidence,
        margin_ns=margin_ns,
    )


def _draw(
    first_ns: NDArray[np.int64],
    second_ns: NDArray[np.int64],
    p: float,
    confidence: float,
    rng: np.random.Generator,
) -> _Draws | None:
    needed = count_needed(p, confidence)
    if min(first_ns.size, second_ns.size) < needed:
        return None
    states = [tail_dependence(values, p, confidence) for values in (first_ns, second_ns)]
    if min(state.effective_count for state in states) < needed:
        return None
    first, second = (
        quantile_draws(values, p, state.effective_count, rng)
        for values, state in zip((first_ns, second_ns), states, strict=True)
    )
    drawn = second - first
    # Draws scatter around the difference found; how far 0 lies out is the evidence against it.
    sides = [1 + np.count_nonzero(drawn <= 0), 1 + np.count_nonzero(drawn >= 0)]
    return _Draws(
        p=p,
        values=(int(quantiles(first_ns, [p])[0]), int(quantiles(second_ns, [p])[0])),
        drawn=drawn,
        p_value=min(1.0, 2.0 * float(min(sides)) / (drawn.size + 1)),
        block_lengths=(states[0].block_length, states[1].block_length),
    )


def _decide(draws: _Draws, p_adjusted: float, confidence: float, margin_ns: int | None) -> QuantileDifference:
    side = (1.0 - confidence) / 2.0
    inner_low, low, high, inner_high = quantiles(draws.drawn, [2.0 * side, side, 1.0 - side, 1.0 - 2.0 * side]).tolist()
    different = p_adjusted <= 1.0 - confidence
    inside = margin_ns is not None and -margin_ns <= inner_low and inner_high <= margin_ns
    decision: Decision = "undecided"
    if different:
        decision = "different but within the margin" if inside else "different"
    elif inside:
        decision = "equivalent"
    return QuantileDifference(
        p=draws.p,
        first_ns=draws.values[0],
        second_ns=draws.values[1],
        difference_ns=draws.values[1] - draws.values[0],
        low_ns=low,
        high_ns=high,
        p_value=draws.p_value,
        p_adjusted=p_adjusted,
        block_lengths=draws.block_lengths,
        decision=decision,
    )
