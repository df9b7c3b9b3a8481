import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.lateness.bursts import find_bursts

TIMES = np.arange(50_000) * 10**6


def late_at(*places: int) -> np.ndarray:
    late = np.zeros(50_000, dtype=np.bool_)
    late[list(places)] = True
    return late


def test_independent_lateness_has_no_bursts() -> None:
    alarms = 0
    for seed in range(200):
        share = (0.0005, 0.005, 0.05, 0.3)[seed % 4]
        alarms += bool(find_bursts(TIMES, np.random.default_rng(seed).random(50_000) < share))
    assert alarms <= 1


def test_a_burst_among_scattered_late_answers() -> None:
    late = np.random.default_rng(1).random(50_000) < 0.004
    late[20_000:20_030:2] = True
    (found,) = find_bursts(TIMES, late)
    assert 19_985 <= found.first <= 20_000
    assert 20_028 <= found.last <= 20_045
    assert found.late >= 15
    assert found.start_ns == found.first * 10**6
    assert found.length_ns == (found.last - found.first) * 10**6
    assert found.chance < 1e-3


def test_a_burst_that_is_all_there_is() -> None:
    (found,) = find_bursts(TIMES, late_at(*range(100, 110)))
    assert (found.first, found.last, found.late) == (100, 109, 10)


def test_a_few_far_apart_are_none() -> None:
    assert find_bursts(TIMES, late_at(5, 20_000, 30_000, 49_000)) == ()
    assert find_bursts(TIMES, late_at(5, 6)) == ()
    assert find_bursts(TIMES, late_at()) == ()


def test_all_late_is_no_burst() -> None:
    assert find_bursts(TIMES, np.ones(50_000, dtype=np.bool_)) == ()


def test_the_chance_of_a_burst_that_is_all_there_is() -> None:
    # Ten late in ten, at one late in 49,991 otherwise, at 50,000 places and 10 widths.
    (found,) = find_bursts(TIMES, late_at(*range(100, 110)))
    assert found.chance == pytest.approx(50_000 * 10 * (1 / 49_991) ** 10, rel=1e-9)


def test_the_chance_is_an_upper_limit_that_is_not_absurd() -> None:
    late = np.random.default_rng(1).random(50_000) < 0.004
    late[20_000:20_030:2] = True
    (found,) = find_bursts(TIMES, late)
    width = found.last - found.first + 1
    share = (late.sum() - found.late + 1) / (late.size - width + 1)
    # Reference library: the binomial tail at one place; Chernoff's limit is within a small factor of it.
    exact = late.size * width * stats.binom.sf(found.late - 1, width, share)
    assert exact <= found.chance <= 20 * exact
