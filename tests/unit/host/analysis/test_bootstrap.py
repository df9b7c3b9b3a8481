import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.bootstrap import block_bounds, quantile_draws, quantile_interval
from edgereply.analysis.intervals import quantile_ranks

# Efron and Tibshirani (1993), An Introduction to the Bootstrap, Table 2.1 (from memory): mouse survival, days.
TREATED = np.array([94, 197, 16, 38, 99, 141, 23], dtype=np.int64)
CONTROL = np.array([52, 104, 146, 10, 51, 30, 40, 27, 46], dtype=np.int64)


def exact_median_bootstrap(values: NDArray[np.int64]) -> dict[int, float]:
    """Efron (1979), Annals of Statistics 7, section 3: the bootstrap median is an order statistic."""
    n = values.size
    m = (n + 1) // 2
    reach = [
        sum(math.comb(n, j) * (k / n) ** j * (1 - k / n) ** (n - j) for j in range(m, n + 1)) for k in range(n + 1)
    ]
    return dict(zip(np.sort(values).tolist(), np.diff(reach).tolist(), strict=True))


@pytest.mark.parametrize("values", [TREATED, CONTROL])
def test_draws_follow_the_exact_bootstrap_distribution_of_the_median(values: NDArray[np.int64]) -> None:
    draws = quantile_draws(values, 0.5, 1, np.random.default_rng(1), draws=40_000)
    for value, chance in exact_median_bootstrap(values).items():
        found = np.count_nonzero(draws == value) / 40_000
        assert found == pytest.approx(chance, abs=5 * math.sqrt(chance / 40_000) + 1e-4)


def test_blocks_of_one_answer_and_the_closed_form_agree() -> None:
    values = np.random.default_rng(8).integers(0, 10**6, 300)
    closed = quantile_draws(values, 0.9, 1, np.random.default_rng(1), draws=20_000)
    bounds = np.arange(301)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("edgereply.analysis.bootstrap.block_bounds", lambda *_: bounds)
        resampled = quantile_draws(values, 0.9, 2, np.random.default_rng(2), draws=20_000)
    # Reference library: scipy.stats.ks_2samp; ties make it conservative.
    assert stats.ks_2samp(closed, resampled).pvalue > 0.001


def test_standard_error_of_the_treated_median() -> None:
    # Efron and Tibshirani (1993), Table 2.2: 37.83 for infinitely many draws (from memory, recomputed).
    draws = quantile_draws(TREATED, 0.5, 1, np.random.default_rng(2), draws=40_000)
    assert draws.std() == pytest.approx(37.83, abs=0.5)


def test_blocks_cover_the_sample_once() -> None:
    bounds = block_bounds(10_007, 13)
    assert bounds[0] == 0
    assert bounds[-1] == 10_007
    assert np.diff(bounds).min() >= 13
    assert block_bounds(10_000_000, 1).size == 1001
    assert block_bounds(5, 50).tolist() == [0, 5]


def test_independent_answers_take_order_statistics() -> None:
    values = np.random.default_rng(3).integers(50_000, 90_000, 5000)
    found = quantile_interval(values, 0.99)
    assert found is not None
    ranks = quantile_ranks(5000, 0.99)
    assert ranks is not None
    ordered = np.sort(values)
    assert found.method == "order statistics"
    assert (found.low_ns, found.high_ns) == (ordered[ranks.lower_rank - 1], ordered[ranks.upper_rank - 1])
    assert found.value_ns == ordered[4949]


def test_clustered_answers_take_blocks_and_a_wider_interval() -> None:
    rng = np.random.default_rng(4)
    slow = np.repeat(rng.random(200) < 0.05, 100)
    values = rng.integers(50_000, 60_000, 20_000) + slow * rng.integers(0, 100_000, 20_000)
    clustered = quantile_interval(values, 0.99)
    shuffled = quantile_interval(rng.permutation(values), 0.99)
    assert clustered is not None
    assert shuffled is not None
    assert clustered.method == "block bootstrap"
    assert clustered.block_length >= 50
    assert shuffled.method == "order statistics"
    assert clustered.value_ns == shuffled.value_ns
    assert clustered.high_ns - clustered.low_ns > 1.5 * (shuffled.high_ns - shuffled.low_ns)


def test_clusters_too_few_to_judge_give_none() -> None:
    values = np.full(5000, 60_000)
    values[1000:1020] = 400_000
    assert quantile_interval(values, 0.999) is None


def test_too_few_answers_give_none() -> None:
    assert quantile_interval(np.arange(3687), 0.999) is None
    assert quantile_interval(np.empty(0, dtype=np.int64), 0.5) is None


def test_the_same_seed_gives_the_same_interval() -> None:
    values = np.repeat(np.random.default_rng(5).integers(0, 10**6, 500), 10)
    found = quantile_interval(values, 0.5, seed=9)
    assert found is not None
    assert found.method == "block bootstrap"
    assert found == quantile_interval(values, 0.5, seed=9)
