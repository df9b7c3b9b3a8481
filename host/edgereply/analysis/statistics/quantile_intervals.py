"""Quantile intervals that stay honest where late answers cluster, and where they might have.

Either end is an order statistic. A value is an end where the share of answers beyond it, bounded with half of what the
interval may fail by, reaches the share beyond the quantile: the limits for shares are those of `disturbances`, which
count groups of answers instead of answers. Late answers that come alone thus get the exact interval of independent
answers at the lower end.

The upper end allows for one thing more: that a disturbance which holds up ten answers just did not come. With one
expected in a run, it is missed in a third of runs, and these look like any undisturbed ones. An interval that takes no
account of them holds a p99 of 1,510 answers in half of such runs. So an interval takes as many answers as it takes to
rule out groups of ten, and groups as large as those that came; below, the quantile is *rough*.

That is all it takes. Few groups do not make a quantile rough but its interval wide: up to the slowest answer, where a
group larger than any that came (`Disturbances.allowed`) would leave no upper end at all. Called rough instead, they
would leave the intervals of a board that is disturbed now and then to the runs that no disturbance came to, and these
are wrong.

Groups are looked for at the quantile, at its ends, at a shallower quantile (few answers hide that they come in groups)
and at a deeper one (the quantile may lie among answers that a state which came once has not moved, but another run may
see more of it).

Sources: Woodruff, R. S. (1952), JASA 47, 635-646 (from shares to quantiles); Korn, E. L. and Graubard, B. I. (1998),
Survey Methodology 24, 193-201 (effective sample size in exact limits); for the limits see `disturbances`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.ordered import Ordered, ordered
from edgereply.analysis.arrays.quantiles import order_statistics, quantile_rank, quantiles
from edgereply.analysis.statistics.disturbances import Disturbances, grouped
from edgereply.analysis.statistics.exceedances import TailDependence, exceedances_above, share_dependence
from edgereply.analysis.statistics.intervals import count_needed

Method = Literal["order statistics", "block variance"]

# Answers that a disturbance may hold up though none such was seen.
UNSEEN = 10
# From here on the quantile above which ten times as many answers lie is looked at as well.
_DEEP = 0.95
# So many answers have to lie above the quantile above which a tenth as many do: a handful shows no groups.
_FEWEST_BEYOND = 20
# An end is looked at again where answers beyond it cluster more than beyond the quantile.
_MOST_MOVES = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantileEstimate:
    """A quantile with its interval and how the interval was found.

    Attributes:
        p: probability of the quantile.
        value_ns: Hyndman-Fan type 1 quantile.
        low_ns: lower end; None where rough.
        high_ns: upper end; None where rough.
        rough: the answers are too few to rule out groups of ten slow ones that did not come, or groups as large as
            those that came, or a state lasts a good part of the run; the value is still what was measured.
        method: "order statistics" where answers look independent, else "block variance".
        effective_count: independent answers the sample is worth for this quantile.
    """

    p: float
    value_ns: int
    low_ns: int | None
    high_ns: int | None
    rough: bool
    method: Method
    effective_count: float

    @property
    def ends_ns(self) -> tuple[int, int] | None:
        """Both ends of the interval; None where there is none."""
        return None if self.low_ns is None or self.high_ns is None else (self.low_ns, self.high_ns)


def quantile_interval(values_ns: Int64s, p: float, confidence: float = 0.95) -> QuantileEstimate | None:
    """Interval for a quantile that allows for clustering where it shows.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        p: probability of the quantile, strictly within 0 to 1.
        confidence: strictly within 0 to 1.

    Returns:
        The estimate, rough where the answers count for too few independent ones; None where the sample is too small.
    """
    return quantile_intervals(values_ns, [p], confidence)[0]


def quantile_intervals(
    values_ns: Int64s, probabilities: Sequence[float], confidence: float = 0.95
) -> list[QuantileEstimate | None]:
    """Intervals for several quantiles, each as `quantile_interval` gives it, for one ordering of the sample.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        probabilities: each strictly within 0 to 1.
        confidence: of each interval by itself, strictly within 0 to 1.

    Returns:
        One entry a probability.
    """
    count = values_ns.size
    carried = [p for p in probabilities if count >= count_needed(p, confidence)]
    # Quick answers below a quantile under the median are slow ones above, seen from the other side.
    upright = _Sample(values_ns, confidence)
    turned = _Sample(-values_ns, confidence) if min(carried, default=1) < 0.5 else None
    return [
        _estimate(p, upright, upright if turned is None or p >= 0.5 else turned) if p in carried else None
        for p in probabilities
    ]


def interval_count(p: float, confidence: float = 0.95) -> int:
    """Fewest answers with an interval that is not rough, even where none of them comes late.

    Args:
        p: probability of the quantile, strictly within 0 to 1.
        confidence: strictly within 0 to 1.

    Returns:
        Ten times what independent answers take, since they may come in groups of ten: 3,671 for 0.99 at 95 %.
    """
    share = min(p, 1.0 - p)
    return math.ceil(UNSEEN * math.log((1.0 - confidence) / 2.0) / math.log1p(-share))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bound:
    """A value that a share of all answers does not exceed, if one disturbance holds up no more than `together`."""

    bound_ns: int
    together: int


def bound_above(values_ns: Int64s, p: float, confidence: float = 0.95) -> Bound | None:
    """A measured value that a share of all answers stays below: Wilks's bound, where slow answers come alone.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        p: the share, at least a half and below 1.
        confidence: of the bound, strictly within 0 to 1.

    Returns:
        The bound, for groups as large as the sample leads one to allow for; None where the sample supports none.

    Source: Wilks, S. S. (1941), Annals of Mathematical Statistics 12, 91-96.
    """
    if not values_ns.size:
        return None
    # A bound from above is the upper end of an interval that leaves as much out on either side.
    sample = _Sample(values_ns, 2.0 * confidence - 1.0)
    share = 1.0 - p
    high, seen = _end(
        sample, _seen(sample, share), lambda found: sample.upper(found, share, found.allowed), _MOST_MOVES
    )
    return None if high is None or seen.lasting else Bound(bound_ns=high, together=seen.allowed)


class _Sample:
    """A sample, put in order once, and what was found out about it.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time.
        confidence: of each interval.
    """

    def __init__(self, values_ns: Int64s, confidence: float) -> None:
        self._values_ns, self._confidence = values_ns, confidence
        self.count = int(values_ns.size)
        # Either end fails half as often as the interval may.
        self.side = 1.0 - (1.0 - confidence) / 2.0
        self._ordered: Ordered | None = None
        self._beyond: dict[int, Disturbances] = {}

    def at(self, rank: int) -> int:
        """The order statistic of that rank."""
        if self._ordered is None:
            self._ordered = ordered(self._values_ns)
        return int(self._ordered.at(np.array([rank - 1]))[0])

    def beyond(self, rank: int) -> Disturbances:
        """How the answers beyond the order statistic of that rank are grouped."""
        value = self.at(rank)
        if value not in self._beyond:
            self._beyond[value] = grouped(exceedances_above(self._values_ns, value), self._confidence)
        return self._beyond[value]

    def upper(self, seen: Disturbances, share: float, allowed: int, least: int | None = None) -> int | None:
        """Rank of the upper end; None where there is none.

        Args:
            seen: how answers beyond it are grouped.
            share: of all answers, beyond the quantile.
            allowed: answers that one more disturbance may hold up.
            least: of these, so many have to be ruled out; then the slowest answer is the end. All, when None.
        """
        late = _last(self.count, lambda n: seen.after(self.count, n).at_most(self.side, allowed) <= share)
        if late is None and least is not None and seen.after(self.count, 0).at_most(self.side, least) <= share:
            late = 0
        return None if late is None else self.count - late

    def lower(self, seen: Disturbances, share: float) -> int | None:
        """Rank of the lower end."""
        late = _last(self.count, lambda n: seen.after(self.count, n).at_least(self.side) < share)
        return None if late is None or late >= self.count else self.count - late


def _estimate(p: float, upright: _Sample, sample: _Sample) -> QuantileEstimate:
    share = min(p, 1.0 - p)
    low, high, seen = _ends(sample, share)
    if sample is not upright:
        low, high = None if high is None else -high, None if low is None else -low
    rough = low is None or high is None or seen.lasting
    return QuantileEstimate(
        p=p,
        value_ns=upright.at(quantile_rank(sample.count, p)),
        low_ns=None if rough else low,
        high_ns=None if rough else high,
        rough=rough,
        method="block variance" if seen.inflation > 1.0 else "order statistics",
        effective_count=sample.count / seen.inflation,
    )


def _ends(sample: _Sample, share: float) -> tuple[int | None, int | None, Disturbances]:
    """Both ends for the quantile with that share beyond it, None where there is none, and how answers are grouped."""
    seen, deeper = _seen(sample, share), _deeper(sample.count, 1.0 - share)
    beyond = UNSEEN if deeper is None else max(UNSEEN, _once_more(sample.beyond(deeper)))

    def upper(found: Disturbances) -> int | None:
        return sample.upper(found, share, max(beyond, found.allowed), max(beyond, found.largest))

    high, seen = _end(sample, seen, upper, _MOST_MOVES)
    # Where answers beyond the upper end come alone, they are not looked at once more beyond the lower.
    low, seen = _end(sample, seen, lambda found: sample.lower(found, share), _MOST_MOVES if seen.clustered else 0)
    return low, high, seen


def _seen(sample: _Sample, share: float) -> Disturbances:
    """How answers beyond the quantile are grouped, also as far as only those beyond a shallower one show it.

    Few answers hide that they come in groups. Those above p99.9 are a tenth of those above p99; were it a tenth taken
    at random, what exceeds 1 of the variance's inflation would be a tenth too.
    """
    seen = sample.beyond(quantile_rank(sample.count, 1.0 - share))
    around = _shallower(sample.count, 1.0 - share)
    return seen if around is None else seen.grouped_as(1.0 + 0.1 * (sample.beyond(around).inflation - 1.0))


def _shallower(count: int, p: float) -> int | None:
    """Rank of the quantile above which ten times as many answers lie; None where that would be less than the median."""
    return quantile_rank(count, 1.0 - 10.0 * (1.0 - p)) if p >= _DEEP else None


def _deeper(count: int, p: float) -> int | None:
    """Rank of the quantile above which a tenth as many answers lie; None where these are a handful."""
    rank = quantile_rank(count, 1.0 - 0.1 * (1.0 - p))
    return rank if count - rank >= _FEWEST_BEYOND else None


def _once_more(seen: Disturbances) -> int:
    """The size of one more group like those beyond a deeper quantile, which has not moved this one so far.

    Less than `allowed`: with five times the only one a slow start of a sixteenth of a run would take its median away.
    """
    return seen.largest * (2 if seen.groups < 3 else 1) if seen.clustered else 1


def _end(
    sample: _Sample, seen: Disturbances, rank_of: Callable[[Disturbances], int | None], moves: int
) -> tuple[int | None, Disturbances]:
    """One end, moved out as long as answers there are grouped more than at the quantile.

    A sample with few disturbances has its quantile among the quick answers, which are hardly grouped; were the true
    quantile at the upper end, late answers would come in groups. So each end takes what answers are worth there.

    Args:
        sample: the sample.
        seen: how answers beyond the quantile are grouped.
        rank_of: rank of the end, were they grouped like that; None where there is no end.
        moves: how often to look again.
    """
    while True:
        rank = rank_of(seen)
        if rank is None or moves == 0:
            return None if rank is None else sample.at(rank), seen
        there = sample.beyond(rank)
        if there.inflation <= seen.inflation:
            return sample.at(rank), seen
        seen, moves = seen.grouped_as(there.inflation), moves - 1


def _last(count: int, holds: Callable[[int], bool]) -> int | None:
    """The largest number from 0 to `count` up to which something holds; None where it does not hold of 0."""
    if not holds(0):
        return None
    low, high = 0, count + 1
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def tail_dependence(values_ns: Int64s, p: float, confidence: float = 0.95) -> TailDependence:
    """Measure dependence among the answers above the p-quantile.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, not empty.
        p: probability of the quantile, strictly within 0 to 1.
        confidence: for which the few blocks are allowed for.

    Returns:
        See `TailDependence`; an effective count of 0 where there are too few blocks to judge.
    """
    return share_dependence(exceedances_above(values_ns, int(quantiles(values_ns, [p])[0])), confidence)


def quantile_draws(
    values_ns: Int64s,
    p: float,
    effective_count: float,
    rng: np.random.Generator,
    draws: int = 2000,
) -> Int64s:
    """Plausible values of the true quantile, spread as the exact intervals are.

    The number of n independent answers below the true quantile is binomial (n, p); the quantile
    lies between the order statistics on both sides of it, and either is taken at random. So the
    share of draws below any order statistic is the confidence of the exact one-sided bound there.

    Args:
        values_ns: shape (n,), int64, nanoseconds, not empty.
        p: probability of the quantile, strictly within 0 to 1.
        effective_count: independent answers the sample is worth, at least 1 and at most n.
        rng: source of the draws.
        draws: how many.

    Returns:
        Shape (draws,), int64, nanoseconds.
    """
    count = values_ns.size
    worth = max(1, round(effective_count))
    below = rng.binomial(worth, p, draws)
    if worth >= count:
        ranks = below + rng.integers(0, 2, draws)
    else:
        ranks = np.rint((below + rng.random(draws)) * (count / worth)).astype(np.int64)
    return order_statistics(values_ns, np.clip(ranks, 1, count).tolist())
