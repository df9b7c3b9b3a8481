import numpy as np
import pytest

from edgereply.analysis.statistics.jitter import response_jitter
from edgereply.analysis.statistics.pulses import long_pulses


def test_a_few_long_pulses_are_found_with_their_share() -> None:
    widths = np.random.default_rng(1).normal(20_000, 500, 1000).astype(np.int64)
    widths[[10, 500, 801]] = [90_000, 1_200_000, 50_000]
    found = long_pulses(widths)
    assert found is not None
    assert found.places.tolist() == [10, 500, 801]
    assert (found.count, found.longest_ns, found.pulses) == (3, 1_200_000, 1000)
    # Reference: binomial proportion 3 of 1000, Clopper-Pearson as R's binom.test gives it.
    assert found.share is not None
    assert found.share.low == pytest.approx(0.000619, abs=1e-6)
    assert found.share.high == pytest.approx(0.008742, abs=1e-6)


def test_long_pulses_leave_the_jitter_alone() -> None:
    stimulus = np.arange(1000) * 10**6
    rise = stimulus + 60_000
    fall = rise + 20_000
    fall[300] += 500_000
    assert response_jitter(rise - stimulus).period_peak_to_peak_ns == 0
    found = long_pulses(fall - rise)
    assert found is not None
    assert found.places.tolist() == [300]


def test_all_equal_widths_and_small_spreads_are_not_long() -> None:
    equal = long_pulses(np.full(100, 5000))
    assert equal is not None
    assert equal.count == 0
    tight = np.full(100, 5000)
    tight[50] = 5200
    found = long_pulses(tight)
    assert found is not None
    assert found.count == 0
    assert found.limit_ns == 7500


def test_the_outer_fence_is_tukeys() -> None:
    # Tukey (1977), Exploratory Data Analysis, section 2E: upper hinge + 3 spreads: 75 + 3 * 50 here.
    found = long_pulses(np.arange(1, 101))
    assert found is not None
    assert found.limit_ns == 225


def test_a_given_limit_and_pulses_that_reach_the_next_stimulus() -> None:
    widths, gaps = np.array([10, 50, 60]), np.array([5, 50, 100])
    found = long_pulses(widths, limit_ns=40, until_next_ns=lambda limit_ns: gaps[widths > limit_ns])
    assert found is not None
    assert found.places.tolist() == [1, 2]
    assert found.into_next == 1


def test_no_pulses() -> None:
    assert long_pulses(np.empty(0, dtype=np.int64)) is None
