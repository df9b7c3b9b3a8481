"""Intervals that assume no shape for the distribution, only independent answers.

Where answers are not independent (late ones come in clusters), these intervals are too narrow;
`dependence` measures that and `quantile_intervals` gives intervals that allow for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edgereply.analysis.arrays.distributions import beta_isf, beta_ppf, binomial_cdf, binomial_near, binomial_sf
from edgereply.analysis.arrays.quantiles import as_fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class RankInterval:
    """The order statistics that enclose a quantile.

    Attributes:
        lower_rank: rank of the lower end, 1 = smallest value.
        upper_rank: rank of the upper end.
        coverage: probability that the interval holds the true quantile, at least what was asked
            for; exact for continuous values, a lower limit where values tie.
    """

    lower_rank: int
    upper_rank: int
    coverage: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbabilityInterval:
    """Limits on a probability."""

    low: float
    high: float


def rank_coverage(count: int, p: float, lower_rank: int, upper_rank: int) -> float:
    """Probability that two order statistics enclose the p-quantile.

    Args:
        count: sample size.
        p: probability of the quantile, strictly within 0 to 1.
        lower_rank: 1 to upper_rank.
        upper_rank: up to count.

    Returns:
        F(upper_rank - 1) - F(lower_rank - 1), F the binomial (count, p) distribution function.

    Source: Conover, Practical Nonparametric Statistics, 3rd ed., section 3.2.
    """
    return binomial_cdf(upper_rank - 1, count, p) - binomial_cdf(lower_rank - 1, count, p)


def quantile_ranks(count: int, p: float, confidence: float = 0.95) -> RankInterval | None:
    """Two-sided distribution-free interval for a quantile, as ranks.

    Each side fails with at most half of 1 - confidence, so either end may be quoted alone.

    Args:
        count: sample size.
        p: probability of the quantile, strictly within 0 to 1.
        confidence: strictly within 0 to 1.

    Returns:
        The interval, or None where the sample is too small to hold both ends
        (`count_needed` says how large it must be).

    Raises:
        ValueError: p or confidence is not strictly within 0 to 1.
    """
    _check_open("the probability of a quantile", p)
    _check_open("confidence", confidence)
    if count < count_needed(p, confidence):
        return None
    side = (1.0 - confidence) / 2.0
    # ppf gives the smallest k with F(k) >= side; the lower rank needs the largest with F <= side.
    lower = binomial_near(side, count, p)
    while lower >= 1 and binomial_cdf(lower - 1, count, p) > side:
        lower -= 1
    while binomial_cdf(lower, count, p) <= side:
        lower += 1
    upper = binomial_near(1.0 - side, count, p) + 1
    while binomial_sf(upper - 1, count, p) > side:
        upper += 1
    while binomial_sf(upper - 2, count, p) <= side:
        upper -= 1
    # At the very size needed, rounding in cdf may step one rank past the sample.
    lower, upper = max(lower, 1), min(upper, count)
    return RankInterval(lower_rank=lower, upper_rank=upper, coverage=rank_coverage(count, p, lower, upper))


def count_needed(p: float, confidence: float = 0.95) -> int:
    """Smallest sample that can hold a two-sided interval for the p-quantile.

    The whole sample must lie on one side of the quantile with probability at most
    (1 - confidence) / 2 for both sides: max(p, 1 - p) ** n <= (1 - confidence) / 2.

    Args:
        p: probability of the quantile, strictly within 0 to 1.
        confidence: strictly within 0 to 1.

    Returns:
        The number of values: 6 for the median, 36, 368 and 3688 for 0.9, 0.99 and 0.999 at 95 %.

    Raises:
        ValueError: p or confidence is not strictly within 0 to 1.
    """
    _check_open("the probability of a quantile", p)
    _check_open("confidence", confidence)
    exact = as_fraction(p)
    inside = max(exact, 1 - exact)
    miss = float(1 - inside)
    return math.ceil(math.log((1.0 - confidence) / 2.0) / math.log1p(-miss))


def clopper_pearson(events: float, trials: float, confidence: float = 0.95) -> ProbabilityInterval:
    """Exact two-sided interval for a probability, never shorter than promised.

    Args:
        events: how often it happened, 0 to trials; a real number where answers are counted by
            what they are worth (`disturbances`).
        trials: at least 1.
        confidence: strictly within 0 to 1.

    Returns:
        Both limits.

    Raises:
        ValueError: counts or confidence out of range.

    Source: Clopper, C. J. and Pearson, E. S. (1934), Biometrika 26, 404-413.
    """
    _check_counts(events, trials)
    _check_open("confidence", confidence)
    side = (1.0 - confidence) / 2.0
    low = beta_ppf(side, events, trials - events + 1) if events else 0.0
    high = beta_isf(side, events + 1, trials - events) if events < trials else 1.0
    return ProbabilityInterval(low=low, high=high)


def probability_upper_bound(events: float, trials: float, confidence: float = 0.95) -> float:
    """Exact one-sided upper bound on a probability.

    With no event it is 1 - (1 - confidence) ** (1 / trials), which the rule of three
    approximates by 3 / trials.

    Args:
        events: how often it happened, 0 to trials; a real number where answers are counted by
            what they are worth (`disturbances`).
        trials: at least 1.
        confidence: strictly within 0 to 1.

    Returns:
        The bound.

    Raises:
        ValueError: counts or confidence out of range.
    """
    _check_counts(events, trials)
    _check_open("confidence", confidence)
    if events == trials:
        return 1.0
    if events == 0:
        return -math.expm1(math.log1p(-confidence) / trials)
    return beta_isf(1.0 - confidence, events + 1, trials - events)


def _check_open(what: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise ValueError(f"{what} lies strictly within 0 to 1, got {value!r}")


def _check_counts(events: float, trials: float) -> None:
    if trials < 1 or not 0 <= events <= trials:
        raise ValueError(f"need 0 <= events <= trials and a trial, got {events} of {trials}")
