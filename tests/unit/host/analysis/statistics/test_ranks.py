import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

from edgereply.analysis.statistics.ranks import difference_at_rank, hodges_lehmann, rank_test, u_distribution

# Hollander and Wolfe, permeability of the human chorioamnion at term and at 12-26 weeks
# (R help page of wilcox.test), in hundredths.
AT_TERM = np.array([80, 83, 189, 104, 145, 138, 191, 164, 73, 146], dtype=np.int64)
EARLY = np.array([115, 88, 90, 74, 121], dtype=np.int64)
samples = hnp.arrays(np.int64, st.integers(1, 25), elements=st.integers(-50, 50))


def test_hollander_and_wolfe_permeability() -> None:
    # R: W = 35, one-sided p .1272; two-sided exact .254412, shift .305, 95 % interval (-.15, .76).
    found = rank_test(EARLY, AT_TERM)
    assert found.method == "exact"
    assert found.u == 35
    assert found.p_two_sided / 2 == pytest.approx(0.127206, abs=5e-7)
    assert found.shift_ns == 30.5
    assert (found.low_ns, found.high_ns) == (-15, 76)


def test_scipy_documentation_example() -> None:
    # scipy.stats.mannwhitneyu: males against females, U = 17, exact p = 1/9.
    found = rank_test(np.array([20, 11, 17, 12]), np.array([19, 22, 16, 29, 24]))
    assert found.u == 17
    assert found.p_two_sided == pytest.approx(1 / 9)


def test_ties_of_the_sas_react_example() -> None:
    # SAS NPAR1WAY documentation, data set React (data from memory): rank sums 110.5 and 79.5, shift .35.
    first = np.array([194, 194, 292, 292, 292, 292, 327, 327, 327, 327, 370, 370, 374], dtype=np.int64)
    second = np.array([327, 327, 327, 370, 370, 374], dtype=np.int64)
    found = rank_test(first, second)
    assert found.u + 6 * 7 / 2 == 79.5
    assert 6 * 13 - found.u + 13 * 14 / 2 == 110.5
    assert found.shift_ns == 35.0
    assert found.method == "normal"
    theirs = stats.mannwhitneyu(second, first, method="asymptotic")
    assert found.p_two_sided == pytest.approx(theirs.pvalue, rel=1e-12)


@given(samples, samples)
def test_u_and_p_agree_with_scipy(first: np.ndarray, second: np.ndarray) -> None:
    found = rank_test(first, second)
    method = "exact" if found.method == "exact" else "asymptotic"
    theirs = stats.mannwhitneyu(second, first, method=method)
    assert found.u == theirs.statistic
    if np.unique(np.concatenate([first, second])).size > 1:
        assert found.p_two_sided == pytest.approx(theirs.pvalue, rel=1e-9)
    else:
        assert found.p_two_sided == 1.0


@given(samples, samples)
def test_the_shift_is_the_median_of_all_differences(first: np.ndarray, second: np.ndarray) -> None:
    differences = np.sort((second[:, None] - first[None, :]).ravel())
    first, second = np.sort(first), np.sort(second)
    assert hodges_lehmann(first, second) == np.median(differences)
    for rank in {1, 2, differences.size // 3, differences.size} - {0}:
        if rank <= differences.size:
            assert difference_at_rank(first, second, rank) == differences[rank - 1]


def test_u_distribution_critical_value() -> None:
    # Mann and Whitney (1947) and later tables: n = m = 8, two-sided 5 %: reject at U <= 13.
    tail = u_distribution(8, 8).cumsum()
    assert 2 * tail[13] <= 0.05 < 2 * tail[14]
    assert u_distribution(50, 50).sum() == pytest.approx(1.0)


@pytest.mark.parametrize("block", [1, 30])
def test_false_alarms_and_coverage_of_the_shift(block: int) -> None:
    alarms = misses = 0
    for seed in range(400):
        rng = np.random.default_rng(seed)
        first = np.repeat(rng.gamma(2, 10_000, 1500 // block), block).astype(np.int64)
        second = np.repeat(rng.gamma(2, 10_000, 1500 // block), block).astype(np.int64) + 700
        shifted = rank_test(first, second, block_lengths=(block, block))
        assert shifted.low_ns is not None
        assert shifted.high_ns is not None
        misses += not shifted.low_ns <= 700 <= shifted.high_ns
        alarms += rank_test(first, second - 700, block_lengths=(block, block)).p_two_sided <= 0.05
    # 20 expected of each; 4 standard deviations are 17.
    assert 3 <= alarms <= 37
    assert 3 <= misses <= 37


def test_ignoring_clusters_would_raise_false_alarms() -> None:
    alarms = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        first = np.repeat(rng.gamma(2, 10_000, 50), 30).astype(np.int64)
        second = np.repeat(rng.gamma(2, 10_000, 50), 30).astype(np.int64)
        alarms += rank_test(first, second).p_two_sided <= 0.05
    assert alarms > 40


def test_samples_too_small_for_an_interval() -> None:
    found = rank_test(np.array([1, 2]), np.array([3, 4]))
    assert (found.low_ns, found.high_ns) == (None, None)
    assert found.shift_ns == 2.0


def test_constant_equal_samples_do_not_differ() -> None:
    same = np.full(200, 5000)
    for blocks in ((1, 1), (10, 10)):
        found = rank_test(same, same, block_lengths=blocks)
        assert found.p_two_sided == 1.0
        assert found.shift_ns == 0.0


def test_an_empty_sample_is_refused() -> None:
    with pytest.raises(ValueError, match="not empty"):
        rank_test(np.empty(0, dtype=np.int64), AT_TERM)
