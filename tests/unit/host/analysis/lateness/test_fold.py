import math

import numpy as np
import pytest

from edgereply.analysis.lateness.fold import find_window, fold, inside_window, regress_period


def run(seed: int, period_s: float, duty: float, count: int = 20_000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    seconds = np.cumsum(rng.exponential(0.002, count))
    return seconds, np.mod(seconds / period_s - 0.9, 1.0) < duty


def test_the_fold_counts_every_stimulus_and_late_answer() -> None:
    seconds, late = run(1, 0.001024, 0.05)
    found = fold(seconds, late, 0.001024, bins=50)
    assert found.stimuli.sum() == seconds.size
    assert found.late.sum() == late.sum()
    assert np.flatnonzero(found.late).tolist() == [45, 46, 47]
    assert found.period_ns == pytest.approx(1_024_000)


@pytest.mark.parametrize("duty", [0.006, 0.05, 0.3, 0.6])
def test_the_window_of_a_blocked_input(duty: float) -> None:
    # Random arrivals see time averages (Wolff 1982, Operations Research 30, 223-231): a share b / T is late.
    seconds, late = run(2, 0.001024, duty)
    found = find_window(seconds, late, 0.001024)
    assert found.duty == pytest.approx(duty, rel=0.05)
    assert found.late / seconds.size == pytest.approx(duty, abs=4 * math.sqrt(duty / seconds.size))
    assert found.width_ns == pytest.approx(duty * 1_024_000, rel=0.05)
    assert math.remainder(found.start_ns - 0.9 * 1_024_000, 1_024_000) == pytest.approx(0, abs=0.03 * duty * 1_024_000)
    assert found.depth > 0.9
    assert found.late + found.outside_late == late.sum()


def test_the_depth_of_a_window_that_is_late_one_time_in_two() -> None:
    seconds, blocked = run(3, 0.004, 0.1)
    rng = np.random.default_rng(4)
    late = (blocked & (rng.random(blocked.size) < 0.5)) | (rng.random(blocked.size) < 0.01)
    found = find_window(seconds, late, 0.004)
    assert found.duty == pytest.approx(0.1, rel=0.1)
    assert found.depth == pytest.approx(0.5, abs=0.05)


def test_the_mean_delay_of_a_blocked_input() -> None:
    # An input blocked for b each T waits b^2 / 2T on average over uniform phases.
    seconds, late = run(5, 0.001024, 0.1, 200_000)
    wait = np.where(late, 0.1 - np.mod(seconds / 0.001024 - 0.9, 1.0), 0.0) * 0.001024
    window = find_window(seconds, late, 0.001024)
    predicted = window.width_ns**2 / (2 * 1_024_000) / 1e9
    assert wait.mean() == pytest.approx(predicted, rel=0.03)


def test_margins_widen_the_window_on_both_sides() -> None:
    seconds, late = run(6, 0.001, 0.1)
    window = find_window(seconds, late, 0.001)
    inside = inside_window(seconds, 0.001, window, 0.5)
    assert inside[late].all()
    assert inside.mean() == pytest.approx(0.2, abs=0.01)


def test_a_period_is_regressed_with_an_honest_error() -> None:
    off = []
    for seed in range(100):
        seconds, late = run(seed, 0.001024, 0.02, 4000)
        period, error = regress_period(seconds[late], 0.001024, find_window(seconds, late, 0.001024))
        off.append((period - 0.001024) / error)
    # Standardised errors spread by about 1; uniform residuals make them a little narrower or wider.
    assert np.std(off) == pytest.approx(1.0, abs=0.3)


def test_a_single_cycle_has_no_period() -> None:
    window = find_window(np.array([0.1, 0.2, 0.3, 0.9]), np.array([True, True, True, False]), 1.0)
    assert regress_period(np.array([0.1, 0.2, 0.3]), 1.0, window) == (1.0, math.inf)
