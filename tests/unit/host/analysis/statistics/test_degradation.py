from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.statistics.degradation import Degradation, check_degradation

Sample = NDArray[np.int64]
LOST = 2**61
TRIALS = 300


def independent(rng: np.random.Generator, size: int) -> Sample:
    return (100_000 * rng.lognormal(0.0, 0.3, size)).astype(np.int64)


def bursty(rng: np.random.Generator, size: int) -> Sample:
    """One stretch of 20 in fifty is late as a whole."""
    late = np.repeat(rng.random(size // 20) < 0.05, 20)
    return (independent(rng, size) + late * rng.integers(200_000, 400_000, size)).astype(np.int64)


def check(base: Sample, new: Sample, p: float = 0.99, ratio: float = 0.1, **more: float) -> Degradation:
    return check_degradation(base, new, p, margin_ratio=ratio, lost_ns=LOST, **more)  # type: ignore[arg-type]


def failures(make: Callable[[np.random.Generator, int], Sample], size: int, p: float, slower: float) -> int:
    found = 0
    for trial in range(TRIALS):
        rng = np.random.default_rng(trial)
        base, new = make(rng, size), (make(rng, size) * slower).astype(np.int64)
        found += check(base, new, p).outcome == "worse"
    return found


@pytest.mark.parametrize(
    ("make", "size", "p"),
    [(independent, 600, 0.5), (independent, 600, 0.99), (independent, 4_000, 0.999), (bursty, 4_000, 0.9)],
)
def test_a_run_exactly_at_its_limit_fails_in_at_most_5_percent(
    make: Callable[[np.random.Generator, int], Sample], size: int, p: float
) -> None:
    """300 seeded pairs, the new one slower by just the margin; the count allows for chance (binomial, 99.9 %)."""
    assert failures(make, size, p, 1.1) <= stats.binom.ppf(0.999, TRIALS, 0.05)


def test_a_run_that_has_not_changed_hardly_ever_fails() -> None:
    assert failures(independent, 2_000, 0.99, 1.0) <= 3


def test_a_run_that_is_a_lot_worse_fails() -> None:
    assert failures(independent, 2_000, 0.99, 1.4) >= 0.95 * TRIALS


def test_too_few_answers_say_how_many_it_takes() -> None:
    rng = np.random.default_rng(1)
    found = check(independent(rng, 4_000), independent(rng, 1_000), 0.999)
    assert found.outcome == "not enough data"
    # The slowest answer must lie above the quantile with 97.5 %: ln 0.025 / ln 0.999 = 3,687.03, rounded up.
    assert found.needed == 3_688
    assert (found.p_value, found.low_ratio) == (1.0, None)


def test_a_base_that_may_not_have_seen_its_quantile_keeps_that_doubt() -> None:
    rng = np.random.default_rng(1)
    found = check(independent(rng, 3_688), independent(rng, 8_000) * 100, 0.999)
    assert found.outcome == "worse"
    # All 3,688 answers lie below the true quantile with 0.999 ** 3688.
    assert found.p_value >= 0.999**3_688


def test_lost_answers_are_slower_than_any() -> None:
    rng = np.random.default_rng(1)
    base, new = independent(rng, 4_000), independent(rng, 4_000)
    new[::40] = LOST
    found = check(base, new)
    assert found.outcome == "worse"
    assert found.new_ns == LOST
    assert found.high_ratio == float("inf")
    assert check(new, base).outcome == check(new, new.copy()).outcome == "not shown to be worse"


def test_the_interval_holds_the_change() -> None:
    rng = np.random.default_rng(2)
    found = check(independent(rng, 20_000), (independent(rng, 20_000) * 1.05).astype(np.int64), 0.5)
    assert found.low_ratio is not None
    assert found.high_ratio is not None
    assert found.low_ratio < 1.05 < found.high_ratio
    assert found.high_ratio - found.low_ratio < 0.05


def test_a_margin_of_time() -> None:
    rng = np.random.default_rng(3)
    base = independent(rng, 4_000)
    moved = independent(rng, 4_000) + 30_000
    for margin_ns, outcome in ((20_000, "worse"), (40_000, "not shown to be worse")):
        found = check_degradation(base, moved, 0.5, margin_ns=margin_ns, lost_ns=LOST)
        assert found.outcome == outcome
        assert found.limit_ns == found.base_ns + margin_ns


def test_an_empty_sample_is_refused() -> None:
    with pytest.raises(ValueError, match="not empty"):
        check(np.empty(0, np.int64), np.ones(3, np.int64))
