import math

import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.exceedances import (
    block_bounds,
    block_variance_of_mean,
    exceedances_above,
    share_dependence,
)
from edgereply.analysis.statistics.intervals import quantile_ranks
from edgereply.analysis.statistics.quantile_intervals import (
    interval_count,
    quantile_draws,
    quantile_interval,
    tail_dependence,
)

# Efron and Tibshirani (1993), An Introduction to the Bootstrap, Table 2.1 (from memory): mouse survival, days.
TREATED = np.array([94, 197, 16, 38, 99, 141, 23], dtype=np.float64)
CONTROL = np.array([52, 104, 146, 10, 51, 30, 40, 27, 46], dtype=np.float64)


def rough_value_ns(values: Int64s, p: float) -> int:
    """The number that stays where there is no interval."""
    found = quantile_interval(values, p)
    assert found is not None
    assert found.rough
    assert found.ends_ns is None
    return found.value_ns


def test_block_variance_of_the_mouse_means() -> None:
    # Efron and Tibshirani (1993), Table 2.1: standard errors 25.24 and 14.16; Table 2.2: infinitely many
    # bootstrap draws give 23.36, which lacks the factor b / (b - 1) (from memory, recomputed).
    treated = math.sqrt(block_variance_of_mean(TREATED, np.ones(7, np.int64)))
    assert treated == pytest.approx(25.24, abs=0.005)
    assert treated * math.sqrt(6 / 7) == pytest.approx(23.36, abs=0.01)
    assert math.sqrt(block_variance_of_mean(CONTROL, np.ones(9, np.int64))) == pytest.approx(14.16, abs=0.005)


def test_block_variance_is_the_limit_of_drawing_blocks() -> None:
    values = np.cumsum(np.random.default_rng(1).normal(size=600))
    blocks = values.reshape(30, 20).mean(axis=1)
    draws = blocks[np.random.default_rng(2).integers(0, 30, (40_000, 30))].mean(axis=1)
    closed = block_variance_of_mean(values.reshape(30, 20).sum(axis=1), np.full(30, 20)) * 29 / 30
    assert draws.var() == pytest.approx(closed, rel=0.04)


@pytest.mark.parametrize(("p", "count"), [(0.5, 40), (0.9, 200), (0.99, 1000)])
def test_the_spread_of_draws_is_that_of_the_exact_interval(p: float, count: int) -> None:
    draws = quantile_draws(np.arange(1, count + 1), p, count, np.random.default_rng(3), draws=100_000)
    ranks = quantile_ranks(count, p)
    assert ranks is not None
    # The true quantile lies in [x(j), x(j + 1)); either end is drawn, so the confidence of the exact
    # interval, P(j <= B <= k - 1), lies between the draws strictly inside and those inside or on it.
    inside = np.mean((draws > ranks.lower_rank) & (draws < ranks.upper_rank))
    touching = np.mean((draws >= ranks.lower_rank) & (draws <= ranks.upper_rank))
    assert inside <= ranks.coverage <= touching


def test_fewer_effective_answers_spread_wider() -> None:
    values = np.arange(10_000)
    full = quantile_draws(values, 0.9, 10_000, np.random.default_rng(1)).std()
    quarter = quantile_draws(values, 0.9, 2500, np.random.default_rng(1)).std()
    assert quarter / full == pytest.approx(2.0, rel=0.1)


def test_blocks_cover_the_sample_once() -> None:
    bounds = block_bounds(10_007, 13)
    assert bounds[0] == 0
    assert bounds[-1] == 10_007
    assert np.diff(bounds).min() >= 13
    assert block_bounds(5, 50).tolist() == [0, 5]


def test_independent_answers_take_order_statistics() -> None:
    values = np.random.default_rng(3).integers(50_000, 90_000, 5000)
    found = quantile_interval(values, 0.99)
    assert found is not None
    ranks = quantile_ranks(5000, 0.99)
    assert ranks is not None
    ordered = np.sort(values)
    assert found.method == "order statistics"
    assert found.low_ns == ordered[ranks.lower_rank - 1]
    # The upper end allows for a group of ten that did not come: Fay and Feuer's limit, by scipy's gamma distribution.
    allowed = max(
        s for s in range(50) if stats.gamma.ppf(0.975, (s + 10) ** 2 / (s + 100), scale=(s + 100) / (s + 10)) <= 50
    )
    assert found.high_ns is not None
    assert abs(int(np.searchsorted(ordered, found.high_ns)) - (4999 - allowed)) <= 1
    assert found.high_ns > ordered[ranks.upper_rank - 1]
    assert found.value_ns == ordered[4949]


def test_a_group_of_ten_that_may_not_have_come_is_ruled_out_or_the_quantile_is_rough() -> None:
    # Ten times ln(0.025) / ln(0.99) = 367.04 answers: with fewer, none of a group of ten is seen in more than 2.5 %.
    short, enough = (np.random.default_rng(1).permutation(n) for n in (3670, 3671))
    assert rough_value_ns(short, 0.99) == 3633
    found = quantile_interval(enough, 0.99)
    assert found is not None
    assert found.high_ns == 3670
    assert interval_count(0.99) == 3671


def test_below_the_median_it_is_the_same_seen_from_the_other_side() -> None:
    values = np.random.default_rng(3).integers(50_000, 90_000, 5000)
    upper, lower = quantile_interval(values, 0.9), quantile_interval(-values, 0.1)
    assert upper is not None
    assert lower is not None
    assert (lower.low_ns, lower.high_ns) == tuple(-end for end in reversed(upper.ends_ns or ()))


def test_clustered_answers_take_blocks_and_a_wider_interval() -> None:
    rng = np.random.default_rng(4)
    slow = np.repeat(rng.random(1600) < 0.05, 50)
    values = rng.integers(50_000, 60_000, 80_000) + slow * rng.integers(0, 100_000, 80_000)
    clustered = quantile_interval(values, 0.99)
    shuffled = quantile_interval(rng.permutation(values), 0.99)
    assert clustered is not None
    assert shuffled is not None
    assert clustered.method == "block variance"
    assert shuffled.method == "order statistics"
    assert clustered.value_ns == shuffled.value_ns
    assert clustered.effective_count < 8000
    assert clustered.ends_ns is not None
    assert shuffled.ends_ns is not None
    assert np.ptp(clustered.ends_ns) > 1.5 * np.ptp(shuffled.ends_ns)


def test_clusters_too_few_to_judge_leave_the_number_without_an_interval() -> None:
    values = np.full(5000, 60_000)
    values[1000:1020] = 400_000
    assert rough_value_ns(values, 0.999) == 400_000


def test_too_few_answers_give_none() -> None:
    assert quantile_interval(np.arange(3687), 0.999) is None
    assert quantile_interval(np.empty(0, dtype=np.int64), 0.5) is None


@pytest.mark.parametrize(("p", "truth"), [(0.9, 1.5157), (0.95, 2.0506), (0.99, 3.3363)])
def test_waiting_times_of_a_queue_are_held(p: float, truth: float) -> None:
    # M/D/1 at load .5 and service time 1 (Erlang 1909; recomputed): 90, 95 and 99 % quantiles of the wait.
    # Waits depend on each other, so order statistics alone would hold them too seldom.
    held = given = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        steps = 1.0 - rng.exponential(2.0, 16_000)
        walk = np.concatenate([[0.0], np.cumsum(steps)])
        waits = (walk - np.minimum.accumulate(walk))[1000:]  # Lindley (1952)
        found = quantile_interval((waits * 1e9).astype(np.int64), p)
        if found is None or found.low_ns is None or found.high_ns is None:
            continue
        given += 1
        assert found.method == "block variance"
        held += found.low_ns <= truth * 1e9 <= found.high_ns
    # Some runs have too few queues for a p99; of the rest 95 %, less 4 standard deviations.
    assert given >= (48 if p == 0.99 else 57)
    assert held >= 0.95 * given - 4 * math.sqrt(0.05 * 0.95 * given)


def slow_groups(count: int, size: int, groups: int) -> Int64s:
    """Quick answers of 50 to 60 µs; of each of some groups, far apart, all are held up by 100 to 200 µs."""
    rng = np.random.default_rng(4)
    values = rng.integers(50_000, 60_000, count)
    for start in np.linspace(0, count - size, groups, dtype=np.int64).tolist():
        values[start : start + size] += rng.integers(100_000, 200_000, size)
    return values


def test_few_groups_make_an_interval_wide_not_rough() -> None:
    # Four groups of ten in 4,000 answers; as many as there would be, were late answers the 1 % beyond p99.
    found = quantile_interval(slow_groups(4_000, 10, 4), 0.99)
    assert found is not None
    assert found.ends_ns is not None
    # Between 1 and 9 groups come as often as not where four do (Garwood 1936: 1.09 and 10.24): of 1 the quantile is
    # quick, of 9 slow.
    assert found.low_ns is not None
    assert found.low_ns < 60_000
    assert found.high_ns == slow_groups(4_000, 10, 4).max()


@pytest.mark.parametrize(("size", "p"), [(40, 0.99), (400, 0.9), (800, 0.5)])
def test_groups_too_large_to_be_ruled_out_once_more_leave_a_quantile_rough(size: int, p: float) -> None:
    # One more group of that size is not seen in exp(-4,000 / size * (1 - p)) of runs, 37 % of the first two.
    values = slow_groups(4_000, size, 2)
    assert rough_value_ns(values, p) == np.sort(values)[round(4_000 * p) - 1]


def test_a_group_beyond_a_median_that_it_has_not_moved_is_allowed_for() -> None:
    # One visit of 150 in 3,000 answers: another run may have four, and a median far above.
    values = np.random.default_rng(1).integers(58_000, 62_000, 3_000)
    usual = quantile_interval(values, 0.5)
    values[1_000:1_150] += 30_000
    assert usual is not None
    assert usual.ends_ns is not None
    assert rough_value_ns(values, 0.5) < 60_200


def test_a_few_of_clustered_answers_are_not_taken_for_independent() -> None:
    # 40 of 4,000 are late, all at the start; the four latest of them alone would look like chance.
    values = 60_000 + np.random.default_rng(1).integers(0, 3_000, 4_000)
    values[:250] += 40_000
    assert rough_value_ns(values, 0.99) == np.sort(values)[3_959]
    assert rough_value_ns(values, 0.999) == np.sort(values)[3_995]


def test_the_upper_end_is_where_answers_cluster_as_they_do_there() -> None:
    # 34 bursts hold up 340 of 4,000 answers: p90 is a quick one, but those beyond its upper end come in bursts.
    rng = np.random.default_rng(2)
    values = 50_000 + rng.integers(0, 3_000, 4_000)
    for start in rng.choice(160, 34, replace=False) * 25:
        values[start : start + 10] += rng.integers(100_000, 200_000, 10)
    found = quantile_interval(values, 0.9)
    assert found is not None
    at_p90 = share_dependence(exceedances_above(values, found.value_ns))
    assert found.effective_count < at_p90.effective_count
    # What independent answers of that number would give ends among the quick ones.
    worth = quantile_ranks(round(at_p90.effective_count), 0.9)
    assert worth is not None
    naive = np.sort(values)[round(worth.upper_rank * 4_000 / at_p90.effective_count) - 1]
    assert found.high_ns is not None
    assert found.high_ns > naive


def test_few_blocks_are_no_judgement() -> None:
    values = np.repeat(np.arange(30), 30)
    assert tail_dependence(values, 0.5).effective_count == 0.0
    assert rough_value_ns(values, 0.5) == 14
