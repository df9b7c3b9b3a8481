import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.statistics.drift import find_drift, find_warm_up, mser_cut, theil_sen


def run(seed: int, count: int = 5000) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    rng = np.random.default_rng(seed)
    stimulus = np.cumsum(rng.integers(10**6, 3 * 10**6, count))
    reaction = 60_000 + rng.gamma(2, 5_000, count).astype(np.int64)
    return reaction, stimulus


def test_a_straight_line_is_found_exactly() -> None:
    stimulus = np.arange(1000) * 10**7
    found = find_drift(60_000 + np.arange(1000) * 5, stimulus)
    assert found is not None
    assert found.slope_ns_per_s == pytest.approx(500)
    assert found.change_ns == pytest.approx(4995)
    assert found.drifts


def test_late_answers_do_not_bend_the_trend() -> None:
    reaction, stimulus = run(1)
    reaction[4000:4100] += 10**9
    drifting = reaction + (stimulus - stimulus[0]) // 10**6
    found = find_drift(drifting, stimulus)
    assert found is not None
    # 1 ns a ms is 1000 ns a second; the slope is that of medians, whose error the interval states.
    assert found.low_ns_per_s <= 1000 <= found.high_ns_per_s
    assert found.drifts


def test_the_slope_is_theil_and_sens() -> None:
    reaction, stimulus = run(2, 500)
    found = find_drift(reaction, stimulus)
    assert found is not None
    # Reference library: scipy.stats.theilslopes on the medians of 50 stretches.
    medians = np.median(reaction.reshape(50, 10), axis=1)
    times = (stimulus - stimulus[0]).reshape(50, 10).mean(axis=1) / 1e9
    assert found.slope_ns_per_s == pytest.approx(stats.theilslopes(medians, times).slope)


def test_no_trend_is_called_one_in_about_one_run_of_twenty() -> None:
    alarms = sum(found.drifts for seed in range(200) if (found := find_drift(*run(seed, 1000))))
    assert 1 <= alarms <= 22


def test_too_little_to_judge() -> None:
    assert find_drift(np.arange(99), np.arange(99)) is None
    assert find_drift(np.arange(500), np.zeros(500, dtype=np.int64)) is None
    flat = find_drift(np.full(500, 7), np.arange(500) * 10**6)
    assert flat is not None
    assert not flat.drifts


def test_a_warm_up_is_cut_where_it_ends() -> None:
    reaction, _ = run(3)
    reaction[:200] += 40_000
    found = find_warm_up(reaction)
    assert found.count == pytest.approx(200, abs=10)
    assert found.shift_ns == pytest.approx(40_000, rel=0.1)
    assert found.p_value < 0.001


def test_steady_runs_are_hardly_ever_cut() -> None:
    cut = sum(find_warm_up(run(seed)[0]).count > 0 for seed in range(150))
    assert cut <= 3


def test_a_late_change_is_not_a_warm_up() -> None:
    reaction, _ = run(4)
    reaction[4000:] += 40_000
    assert find_warm_up(reaction).count == 0


def test_mser_against_its_definition() -> None:
    # White (1997): the cut d minimises sum((x - mean)^2 over the rest) / (n - d)^2.
    means = np.concatenate([np.linspace(50, 10, 20), np.random.default_rng(5).normal(10, 1, 80)])
    by_hand = [((means[d:] - means[d:].mean()) ** 2).sum() / (100 - d) ** 2 for d in range(95)]
    assert mser_cut(means) == int(np.argmin(by_hand))


def test_short_runs_have_no_warm_up() -> None:
    assert find_warm_up(np.arange(99)).count == 0
    assert find_warm_up(np.full(1000, 5)).count == 0


@pytest.mark.parametrize("confidence", [0.3, 0.9, 0.95, 0.999])
def test_slopes_and_their_interval_are_those_of_the_reference_library(confidence: float) -> None:
    rng = np.random.default_rng(8)
    for most in (3, 40, 10**6):
        for count in (2, 5, 50):
            x, y = np.sort(rng.integers(0, most, count)) / 7.0, rng.integers(0, most, count) / 3.0
            x[-1] += 1.0
            found = stats.theilslopes(y, x, alpha=confidence)
            assert theil_sen(x, y, confidence) == (found.slope, found.low_slope, found.high_slope)
