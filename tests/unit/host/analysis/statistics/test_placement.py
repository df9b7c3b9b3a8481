import itertools

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.statistics.multiple_tests import holm
from edgereply.analysis.statistics.placement import GRID, independent_count, place_all
from edgereply.analysis.statistics.ranks import rank_test


def draw(seed: int, size: int, shift: int = 0, spread: int = 5_000) -> NDArray[np.int64]:
    return (60_000 + shift + np.random.default_rng(seed).gamma(2, spread, size)).astype(np.int64)


def test_every_pair_agrees_with_the_reference_library() -> None:
    """scipy.stats.brunnermunzel (scipy), also with ties and unequal sizes."""
    rng = np.random.default_rng(4)
    samples = [rng.integers(low, 40 + low, size) for low, size in ((0, 30), (5, 55), (3, 80), (0, 31))]
    placed = place_all(samples, [s.size for s in samples])
    for i, j in itertools.combinations(range(4), 2):
        expected = stats.brunnermunzel(samples[i], samples[j])
        assert placed.p_values[i, j] == placed.p_values[j, i] == pytest.approx(float(expected.pvalue), rel=1e-9)
        assert placed.later[i, j] == pytest.approx(1 - placed.later[j, i])


def test_the_chance_of_being_later_agrees_with_the_rank_test() -> None:
    first, second = draw(1, 300), draw(2, 400, 1_000)
    placed = place_all([first, second], [300, 400])
    assert placed.later[0, 1] == pytest.approx(rank_test(first, second).later_probability)


def test_many_values_on_a_grid_lose_next_to_nothing() -> None:
    first, second = draw(1, 20_000), draw(2, 20_000, 100)
    assert np.unique(np.concatenate([first, second])).size > GRID
    placed = place_all([first, second], [20_000, 20_000])
    expected = stats.brunnermunzel(first, second)
    assert placed.p_values[0, 1] == pytest.approx(float(expected.pvalue), rel=0.02)


@pytest.mark.parametrize(("size", "least"), [(3, 2 / 20), (5, 2 / 252)])
def test_samples_that_do_not_overlap_claim_no_more_than_their_orders_allow(size: int, least: float) -> None:
    # 2 / (n + n choose n): Mann and Whitney's exact test of complete separation.
    low = np.arange(size, dtype=np.int64)
    assert place_all([low, low + 100], [size, size]).p_values[0, 1] == pytest.approx(least)


def test_equal_constants_are_equal() -> None:
    same = np.full(50, 7, np.int64)
    assert place_all([same, same], [50, 50]).p_values[0, 1] == 1.0


def test_an_empty_sample_is_refused() -> None:
    with pytest.raises(ValueError, match="not empty"):
        place_all([np.empty(0, np.int64), draw(1, 5)], [1, 5])


def clustered(seed: int, size: int = 3_000) -> NDArray[np.int64]:
    """Answers whose level wanders: each is near the one before."""
    rng = np.random.default_rng(seed)
    level = np.empty(size)
    level[0] = rng.normal()
    for n, kick in enumerate(rng.normal(0, np.sqrt(1 - 0.9**2), size - 1)):
        level[n + 1] = 0.9 * level[n] + kick
    return (100_000 + 10_000 * level).astype(np.int64)


@pytest.mark.parametrize("make", [lambda seed: draw(seed, 800), clustered])
def test_no_difference_is_seldom_called_one(make: object) -> None:
    """Five alike, 60 times: any false difference in at most 5 %, and a little for chance (binomial, 99.9 %)."""
    assert callable(make)
    false = 0
    for trial in range(60):
        samples = [make(1_000 * trial + n) for n in range(5)]
        placed = place_all(samples, [independent_count(s) for s in samples])
        false += min(holm(placed.p_values[np.triu_indices(5, 1)].tolist())) < 0.05
    assert false <= stats.binom.ppf(0.999, 60, 0.05)


def test_clustered_answers_count_for_less() -> None:
    assert independent_count(draw(1, 3_000)) == 3_000
    # An autoregression of 0.9 is worth (1 - 0.9) / (1 + 0.9) of its answers (a textbook result).
    assert independent_count(clustered(1, 20_000)) == pytest.approx(20_000 / 19, rel=0.6)


def test_a_sample_of_a_few_long_stretches_is_not_judged() -> None:
    assert independent_count(np.repeat(np.array([10, 20, 10], np.int64), 300)) == 0
