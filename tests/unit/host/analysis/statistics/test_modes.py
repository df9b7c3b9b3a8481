from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from edgereply.analysis.statistics.modes import find_modes, smoothed

ONE = {
    "gamma": lambda r: 50_000 + r.gamma(2, 10_000, 4000),
    "exponential": lambda r: 50_000 + r.exponential(10_000, 4000),
    "heavy tail": lambda r: 50_000 * (1 + r.pareto(1.5, 4000)),
    "uniform": lambda r: r.uniform(50_000, 60_000, 4000),
    "timer ticks": lambda r: 62.5 * np.floor(r.normal(1000, 3, 4000)),
    "few values": lambda r: 4000 * (12 + r.geometric(0.3, 4000)),
    "small": lambda r: r.normal(60_000, 2_000, 60),
}


@pytest.mark.parametrize("name", ONE)
def test_one_mode_stays_one(name: str) -> None:
    draw: Callable[[np.random.Generator], NDArray[np.float64]] = ONE[name]
    found = [len(find_modes(draw(np.random.default_rng(seed)).astype(np.int64))) for seed in range(40)]
    assert found == [1] * 40


def test_three_modes_are_described() -> None:
    rng = np.random.default_rng(1)
    centre = rng.choice([60_000, 90_000, 400_000], 5000, p=[0.7, 0.285, 0.015])
    values = rng.normal(centre, 2_000).astype(np.int64)
    found = find_modes(values)
    assert [m.median_ns for m in found] == [pytest.approx(c, abs=1000) for c in (60_000, 90_000, 400_000)]
    assert [m.peak_ns for m in found] == [pytest.approx(c, rel=0.02) for c in (60_000, 90_000, 400_000)]
    assert [m.share for m in found] == [np.mean(centre == c) for c in (60_000, 90_000, 400_000)]
    # A normal mode's 10 and 90 % quantiles lie 1.2816 standard deviations out.
    assert found[0].p90_ns - found[0].p10_ns == pytest.approx(2 * 1.2816 * 2000, rel=0.08)


def test_modes_share_all_values_without_overlap() -> None:
    rng = np.random.default_rng(2)
    values = np.concatenate([rng.normal(1e5, 1e3, 500), rng.normal(2e5, 1e3, 700)]).astype(np.int64)
    first, second = find_modes(values)
    assert first.high_ns < second.low_ns
    assert (first.low_ns, second.high_ns) == (values.min(), values.max())
    assert first.share + second.share == pytest.approx(1.0)


def test_two_modes_too_close_to_tell_are_one() -> None:
    # A mixture of two normals less than two standard deviations apart has one mode
    # (Eisenberger 1964, Technometrics 6, 357-363).
    rng = np.random.default_rng(3)
    values = rng.normal(rng.choice([60_000, 63_600], 20_000), 2_000).astype(np.int64)
    assert len(find_modes(values)) == 1


def test_degenerate_samples() -> None:
    assert find_modes(np.empty(0, dtype=np.int64)) == ()
    (only,) = find_modes(np.full(1000, 8000))
    assert (only.peak_ns, only.low_ns, only.high_ns, only.share) == (8000, 8000, 8000, 1.0)
    assert len(find_modes(np.array([1, 10**9] * 10))) == 1


def test_two_exact_values_are_two_modes() -> None:
    found = find_modes(np.array([1000] * 300 + [5000] * 100))
    assert [(m.median_ns, m.share) for m in found] == [(1000, 0.75), (5000, 0.25)]


@pytest.mark.parametrize("width", [1.0, 1.7, 9.3, 64.0])
def test_smoothing_is_that_of_the_reference_library_to_the_last_bit(width: float) -> None:
    counts = np.random.default_rng(4).poisson(3.0, 1024).astype(np.float64)
    np.testing.assert_array_equal(smoothed(counts, width), ndimage.gaussian_filter1d(counts, width, mode="constant"))
