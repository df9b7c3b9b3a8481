import numpy as np
import pytest

from edgereply.analysis.statistics.tolerance import upper_bound, wilks_count


@pytest.mark.parametrize(
    ("share", "confidence", "one_sided"),
    [
        (0.90, 0.95, 29),
        (0.95, 0.90, 45),
        (0.95, 0.95, 59),
        (0.95, 0.99, 90),
        (0.99, 0.90, 230),
        (0.99, 0.95, 299),
        (0.99, 0.99, 459),
        (0.999, 0.95, 2995),
        (0.9999, 0.95, 29956),
    ],
)
def test_wilks_one_sided(share: float, confidence: float, one_sided: int) -> None:
    # Wilks (1941); 59, 90, 299 and 459 are quoted wherever it is used (from memory); the rest recomputed.
    assert wilks_count(share, confidence) == one_sided


@pytest.mark.parametrize(
    ("share", "confidence", "both"),
    [(0.90, 0.95, 46), (0.95, 0.90, 77), (0.95, 0.95, 93), (0.95, 0.99, 130), (0.99, 0.95, 473), (0.999, 0.95, 4742)],
)
def test_wilks_two_sided(share: float, confidence: float, both: int) -> None:
    # Wilks (1941), 93 and 473 as usually quoted (from memory): 1 - p^n - n (1 - p) p^(n - 1) >= c.
    assert wilks_count(share, confidence, sides=2) == both


def test_wilks_higher_orders() -> None:
    # 95 % / 95 %, orders 1 to 8 as tabulated for safety analyses (from memory, recomputed).
    assert [wilks_count(0.95, order=r) for r in range(1, 9)] == [59, 93, 124, 153, 181, 208, 234, 260]
    assert [wilks_count(0.95, order=r, sides=2) for r in range(1, 5)] == [93, 153, 208, 260]


@pytest.mark.parametrize(("count", "rank"), [(59, 1), (92, 1), (93, 2), (124, 3), (260, 8)])
def test_the_bound_takes_the_lowest_value_that_serves(count: int, rank: int) -> None:
    values = np.random.default_rng(1).permutation(count).astype(np.int64)
    found = upper_bound(values, 0.95)
    assert found is not None
    assert found.rank_from_top == rank
    assert found.bound_ns == count - rank
    assert found.confidence >= 0.95


def test_too_few_answers_have_no_bound() -> None:
    assert upper_bound(np.arange(58), 0.95) is None
    assert upper_bound(np.empty(0, dtype=np.int64), 0.5) is None


def test_the_bound_fails_as_often_as_stated() -> None:
    rng = np.random.default_rng(2)
    samples = rng.random((4000, 124)) * 10**9
    bounds = np.array([b.bound_ns for row in samples if (b := upper_bound(row.astype(np.int64), 0.95))])
    held = np.mean(bounds >= 0.95 * 10**9)
    # Exactly P(Bin(124, .05) >= 3) = 95.05 %; the standard error is .34 %.
    assert held == pytest.approx(0.9505, abs=0.0125)


def test_impossible_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="strictly within"):
        wilks_count(1.0)
    with pytest.raises(ValueError, match="strictly within"):
        upper_bound(np.arange(10), 0.5, 0.0)
    with pytest.raises(ValueError, match="order"):
        wilks_count(0.95, order=0)
