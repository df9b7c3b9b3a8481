import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.statistics.intervals import (
    clopper_pearson,
    count_needed,
    probability_upper_bound,
    quantile_ranks,
    rank_coverage,
)


@pytest.mark.parametrize(
    ("count", "lower", "upper", "percent"),
    [(5, 1, 5, 93.8), (9, 2, 8, 96.1), (10, 2, 9, 97.9), (14, 4, 11, 94.3), (17, 5, 13, 95.1), (20, 6, 15, 95.9)],
)
def test_coverage_of_the_published_median_intervals(count: int, lower: int, upper: int, percent: float) -> None:
    # Published table of distribution-free median intervals (a textbook's Table A.7).
    assert round(100 * rank_coverage(count, 0.5, lower, upper), 1) == percent


@pytest.mark.parametrize(
    ("count", "p", "lower", "upper", "coverage"),
    [
        (9, 0.5, 2, 8, 0.9609),
        (10, 0.5, 2, 9, 0.9785),
        (20, 0.5, 6, 15, 0.9586),
        (100, 0.5, 40, 61, 0.96480),
        (100, 0.9, 84, 96, 0.95569),
        (1000, 0.99, 983, 997, 0.97609),
        (10_000, 0.999, 9983, 9997, 0.97546),
    ],
)
def test_ranks(count: int, p: float, lower: int, upper: int, coverage: float) -> None:
    # First three: the published median table; the rest from the binomial distribution (scipy 1.17).
    found = quantile_ranks(count, p)
    assert found is not None
    assert (found.lower_rank, found.upper_rank) == (lower, upper)
    assert found.coverage == pytest.approx(coverage, abs=5e-5)


@pytest.mark.parametrize("count", [40, 137, 500, 5000])
@pytest.mark.parametrize("p", [0.1, 0.5, 0.9])
def test_ranks_agree_with_scipy_quantile_test(count: int, p: float) -> None:
    # Reference library: scipy.stats.quantile_test(...).confidence_interval.
    values = np.arange(1.0, count + 1)
    theirs = stats.quantile_test(values, q=0, p=p).confidence_interval(0.95)
    ours = quantile_ranks(count, p)
    assert ours is not None
    assert (ours.lower_rank, ours.upper_rank) == (theirs.low, theirs.high)


@pytest.mark.parametrize("p", [0.5, 0.9, 0.99, 0.999, 0.01])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_count_needed_is_the_first_that_gives_an_interval(p: float, confidence: float) -> None:
    side = (1 - confidence) / 2
    needed = count_needed(p, confidence)
    worst = max(p, 1 - p)
    assert worst**needed <= side < worst ** (needed - 1)
    assert quantile_ranks(needed - 1, p, confidence) is None
    found = quantile_ranks(needed, p, confidence)
    assert found is not None
    assert found.coverage >= confidence
    assert 1 <= found.lower_rank <= found.upper_rank <= needed


@pytest.mark.parametrize("p", [0.5, 0.9, 0.99, 0.999])
def test_every_size_keeps_both_sides(p: float) -> None:
    for count in [*range(count_needed(p), count_needed(p) + 60), 100_000, 10_000_000]:
        found = quantile_ranks(count, p)
        assert found is not None
        binomial = stats.binom(count, p)
        assert binomial.cdf(found.lower_rank - 1) <= 0.025 + 1e-12
        assert binomial.sf(found.upper_rank - 1) <= 0.025 + 1e-12
        # and no closer pair of ranks would do
        assert binomial.cdf(found.lower_rank) > 0.025
        assert binomial.sf(found.upper_rank - 2) > 0.025


def test_59_values_have_no_upper_end_for_p95() -> None:
    # 0.95 ** 59 = 0.0485: a one-sided 95 % bound exists (Wilks 1941), a two-sided interval does not.
    assert quantile_ranks(59, 0.95) is None


@pytest.mark.parametrize(
    ("events", "trials", "low", "high"),
    [(81, 263, 0.2527, 0.3676), (15, 148, 0.0578, 0.1617), (0, 20, 0.0, 0.1684), (1, 29, 0.0009, 0.1776)],
)
def test_clopper_pearson_newcombe(events: int, trials: int, low: float, high: float) -> None:
    # Newcombe (1998), Statistics in Medicine 17, 857-872, Table I (from memory, recomputed).
    found = clopper_pearson(events, trials)
    assert (round(found.low, 4), round(found.high, 4)) == (low, high)


def test_clopper_pearson_conover() -> None:
    # R help page of binom.test, after Conover (1971): 682 of 925.
    found = clopper_pearson(682, 925)
    assert found.low == pytest.approx(0.7076683, abs=5e-8)
    assert found.high == pytest.approx(0.7654066, abs=5e-8)


@pytest.mark.parametrize("events", [0, 1, 7, 30])
def test_clopper_pearson_agrees_with_scipy(events: int) -> None:
    theirs = stats.binomtest(events, 30).proportion_ci(0.99, method="exact")
    ours = clopper_pearson(events, 30, 0.99)
    assert (ours.low, ours.high) == pytest.approx((theirs.low, theirs.high), rel=1e-9)


@pytest.mark.parametrize(("trials", "exact"), [(30, 0.09503), (100, 0.029513), (1000, 0.0029912)])
def test_the_rule_of_three_in_its_exact_form(trials: int, exact: float) -> None:
    # Hanley and Lippman-Hand (1983), JAMA 249, 1743-1745: 3 / n approximates 1 - .05 ** (1 / n).
    bound = probability_upper_bound(0, trials)
    assert bound == pytest.approx(exact, rel=5e-5)
    assert bound < 3 / trials
    assert (1 - bound) ** trials == pytest.approx(0.05)


@pytest.mark.parametrize("events", [1, 5, 99])
def test_the_one_sided_bound_leaves_exactly_the_stated_risk(events: int) -> None:
    bound = probability_upper_bound(events, 100)
    assert stats.binom.cdf(events, 100, bound) == pytest.approx(0.05)


def test_the_one_sided_bound_at_the_end_of_the_range() -> None:
    assert probability_upper_bound(7, 7) == 1.0


@pytest.mark.parametrize("bad", [0.0, 1.0, -1.0, 2.0, float("nan")])
def test_probabilities_outside_the_open_range_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="strictly within"):
        quantile_ranks(100, bad)
    with pytest.raises(ValueError, match="strictly within"):
        quantile_ranks(100, 0.5, bad)
    with pytest.raises(ValueError, match="strictly within"):
        clopper_pearson(1, 2, bad)


@pytest.mark.parametrize(("events", "trials"), [(1, 0), (-1, 5), (6, 5)])
def test_impossible_counts_are_refused(events: int, trials: int) -> None:
    with pytest.raises(ValueError, match="events"):
        clopper_pearson(events, trials)
    with pytest.raises(ValueError, match="events"):
        probability_upper_bound(events, trials)


def test_an_empty_sample_has_no_interval() -> None:
    assert quantile_ranks(0, 0.5) is None
