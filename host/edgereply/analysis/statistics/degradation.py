"""Has a quantile got worse by more than a margin: a one-sided question with a bounded chance of a false alarm.

Both quantiles are drawn as `quantile_draws` does, with the independent answers each sample is worth; the
p-value is the share of draws in which the new quantile does not exceed the limit that the base's quantile sets.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.intervals import count_needed
from edgereply.analysis.statistics.quantile_intervals import quantile_draws, tail_dependence

DegradationOutcome = Literal["worse", "not shown to be worse", "not enough data"]

DRAWS = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Degradation:
    """The answer for one quantile.

    Attributes:
        outcome: "worse" only where the p-value is below 1 - confidence.
        base_ns, new_ns: the two quantiles.
        limit_ns: what the new one may reach: base plus the margin.
        p_value: of "not beyond the limit"; 1 without enough data.
        low_ratio, high_ratio: interval of new / base, two-sided with 1 - 2 (1 - confidence); None without enough data,
            infinite where lost answers reach the quantile.
        sizes: answers of base and new.
        worth: the independent answers they are worth; 0 where that cannot be judged.
        needed: independent answers each must be worth.
    """

    outcome: DegradationOutcome
    base_ns: int
    new_ns: int
    limit_ns: int
    p_value: float
    low_ratio: float | None
    high_ratio: float | None
    sizes: tuple[int, int]
    worth: tuple[float, float]
    needed: int


def check_degradation(
    base_ns: Int64s,
    new_ns: Int64s,
    p: float,
    *,
    margin_ratio: float = 0.0,
    margin_ns: int = 0,
    lost_ns: int,
    confidence: float = 0.95,
    seed: int = 0,
) -> Degradation:
    """Check one quantile.

    Args:
        base_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        new_ns: shape (m,), int64, nanoseconds, in order of time, not empty.
        p: probability of the quantile, strictly within 0 to 1.
        margin_ratio: part of the base's quantile by which the new one may be larger.
        margin_ns: nanoseconds by which it may be larger on top.
        lost_ns: a value from which on an entry means that no answer came at all: slower than any.
        confidence: 1 - the highest chance of "worse" when the quantile is at the limit or below.
        seed: of the draws.

    Returns:
        See `Degradation`.

    Raises:
        ValueError: an empty sample.
    """
    if not base_ns.size or not new_ns.size:
        raise ValueError("a check takes two samples that are not empty")
    base, new = (int(quantiles(values, [p])[0]) for values in (base_ns, new_ns))
    limit = lost_ns if base >= lost_ns else round(base * (1.0 + margin_ratio)) + margin_ns
    needed = count_needed(p, confidence)
    worth = [tail_dependence(values, p, confidence).effective_count for values in (base_ns, new_ns)]
    outcome: DegradationOutcome = "not enough data"
    p_value = 1.0
    ratios: tuple[float | None, float | None] = (None, None)
    if min(worth) >= needed:
        rng = np.random.default_rng(seed)
        drawn = [
            _unlost(quantile_draws(values, p, count, rng, DRAWS), lost_ns)
            for values, count in zip((base_ns, new_ns), worth, strict=True)
        ]
        beyond = drawn[1] > drawn[0] * (1.0 + margin_ratio) + margin_ns
        # The base's quantile may lie past its slowest answer, where no draw can go.
        p_value = min(1.0, (1.0 + float(np.count_nonzero(~beyond))) / (DRAWS + 1.0) + p ** worth[0])
        outcome = "worse" if p_value <= 1.0 - confidence else "not shown to be worse"
        ratios = _ratios(drawn, 1.0 - confidence)
    return Degradation(
        outcome=outcome, base_ns=base, new_ns=new, limit_ns=limit, p_value=p_value, low_ratio=ratios[0],
        high_ratio=ratios[1], sizes=(base_ns.size, new_ns.size), worth=(worth[0], worth[1]), needed=needed,
    )  # fmt: skip


def _unlost(drawn: Int64s, lost_ns: int) -> Floats:
    return np.where(drawn >= lost_ns, np.inf, drawn.astype(np.float64))


def _ratios(drawn: list[Floats], side: float) -> tuple[float, float]:
    base, new = drawn
    ratio = np.full(base.shape, 1.0)
    np.divide(new, base, out=ratio, where=np.isfinite(base) & (base > 0.0))
    ordered = np.sort(ratio)
    last = ordered.size - 1
    return float(ordered[int(side * last)]), float(ordered[int((1.0 - side) * last)])
