import numpy as np
import pytest

from edgereply.analysis.comparison import compare
from edgereply.analysis.families import holm


def test_holm_worked_example() -> None:
    # R: p.adjust(c(.01, .02, .03, .04), "holm") and p.adjust(c(.01, .04, .03, .005), "holm").
    assert holm([0.01, 0.02, 0.03, 0.04]) == pytest.approx([0.04, 0.06, 0.06, 0.06])
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])


def test_holm_stays_within_a_probability() -> None:
    assert holm([0.9, 0.8]) == [1.0, 1.0]
    assert holm([]) == []
    with pytest.raises(ValueError, match="0 to 1"):
        holm([1.5])


def test_a_shift_is_found_everywhere() -> None:
    rng = np.random.default_rng(1)
    first = 60_000 + rng.gamma(2, 5_000, 20_000).astype(np.int64)
    second = 65_000 + rng.gamma(2, 5_000, 20_000).astype(np.int64)
    found = compare(first, second)
    assert found.ranks_p_adjusted < 0.01
    assert found.ranks.shift_ns == pytest.approx(5000, abs=300)
    assert [d.p for d in found.differences] == [0.5, 0.9, 0.99, 0.999]
    for d in found.differences[:3]:
        assert d.decision == "different"
        assert d.low_ns <= 5000 <= d.high_ns
        assert d.difference_ns == d.second_ns - d.first_ns


def test_a_tail_that_only_one_run_has() -> None:
    rng = np.random.default_rng(2)
    first = 60_000 + rng.gamma(2, 5_000, 20_000).astype(np.int64)
    second = 60_000 + rng.gamma(2, 5_000, 20_000).astype(np.int64)
    second[rng.random(20_000) < 0.02] += 500_000
    by_p = {d.p: d for d in compare(first, second, margin_ns=2000).differences}
    assert by_p[0.99].decision == "different"
    assert by_p[0.99].difference_ns > 400_000
    assert by_p[0.5].decision in ("equivalent", "different but within the margin")


def test_equal_runs_are_equivalent_only_with_a_margin() -> None:
    rng = np.random.default_rng(3)
    first, second = (60_000 + rng.integers(0, 10_000, 20_000) for _ in range(2))
    without = compare(first, second)
    assert {d.decision for d in without.differences} == {"undecided"}
    within = compare(first, second, margin_ns=2000)
    assert {d.decision for d in within.differences} == {"equivalent"}


def test_a_tight_margin_stays_undecided() -> None:
    rng = np.random.default_rng(4)
    first, second = (60_000 + rng.integers(0, 10_000, 500) for _ in range(2))
    assert {d.decision for d in compare(first, second, margin_ns=5).differences} == {"undecided"}


def test_quantiles_a_run_cannot_support_are_left_out_and_said() -> None:
    rng = np.random.default_rng(5)
    found = compare(rng.integers(0, 10**6, 1000), rng.integers(0, 10**6, 10_000))
    assert [d.p for d in found.differences] == [0.5, 0.9, 0.99]
    assert found.needed == {0.999: 3688}


def test_clusters_are_drawn_as_blocks() -> None:
    rng = np.random.default_rng(6)
    first = np.repeat(rng.integers(0, 10**6, 400), 20)
    second = rng.integers(0, 10**6, 8000)
    median = compare(first, second, probabilities=[0.5]).differences[0]
    assert median.block_lengths[0] >= 20
    assert median.block_lengths[1] == 1


def test_identical_constant_runs() -> None:
    same = np.full(5000, 7000)
    found = compare(same, same, margin_ns=0)
    assert {d.decision for d in found.differences} == {"equivalent"}


def test_repeats_with_the_same_seed() -> None:
    rng = np.random.default_rng(7)
    first, second = rng.integers(0, 10**6, 1000), rng.integers(0, 10**6, 1000)
    assert compare(first, second, seed=3) == compare(first, second, seed=3)


def test_family_error_under_no_difference() -> None:
    claims = 0
    for seed in range(120):
        rng = np.random.default_rng(seed)
        first, second = (rng.gamma(2, 10_000, 400).astype(np.int64) for _ in range(2))
        found = compare(first, second, probabilities=[0.5, 0.9], seed=seed)
        claims += found.ranks_p_adjusted <= 0.05 or any(d.p_adjusted <= 0.05 for d in found.differences)
    # At most 6 expected; 4 standard deviations above that are 16.
    assert claims <= 15


def test_a_negative_margin_is_refused() -> None:
    with pytest.raises(ValueError, match="margin"):
        compare(np.arange(10), np.arange(10), margin_ns=-1)
