import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.statistics.dependence import (
    autocorrelation,
    automatic_block_length,
    effective_count,
    measure_dependence,
)

DATA = Path(__file__).parents[4] / "reference_data"


def autoregressive(phi: float, count: int, seed: int) -> NDArray[np.float64]:
    noise = np.random.default_rng(seed).standard_normal(count)
    values = np.empty(count)
    values[0] = noise[0]
    for i in range(1, count):
        values[i] = phi * values[i - 1] + noise[i]
    return values


def test_strd_michelso_lag_1() -> None:
    # NIST StRD Michelso: certified lag-1 autocorrelation .535199668621283.
    values = np.loadtxt(DATA / "michelson_speed_of_light.csv", skiprows=4, dtype=np.int64)
    assert autocorrelation(values, 1)[1] == pytest.approx(0.535199668621283, rel=1e-12)


@pytest.mark.parametrize("whole", [1, 1_000_000, 10_000_000])
def test_strd_numacc_lag_1(whole: int) -> None:
    # NIST StRD NumAcc2/3/4 in tenths: certified lag-1 autocorrelation -.999.
    centre = whole * 10 + 2
    values = np.array([centre, *[centre - 1, centre + 1] * 500], dtype=np.int64)
    assert autocorrelation(values, 1)[1] == pytest.approx(-0.999, rel=1e-12)


def test_strd_numacc1_lag_1() -> None:
    # NIST StRD NumAcc1: certified lag-1 autocorrelation -.5.
    assert autocorrelation(np.array([10000001, 10000003, 10000002]), 5).tolist() == pytest.approx([1, -0.5, 0])


@pytest.mark.parametrize("count", [50, 65_536, 150_000])
def test_chunks_give_the_sums_of_the_definition(count: int) -> None:
    values = np.random.default_rng(2).integers(0, 1000, count)
    found = autocorrelation(values, 7)
    d = values - values.mean()
    for lag in range(1, 8):
        assert found[lag] == pytest.approx(np.dot(d[:-lag], d[lag:]) / np.dot(d, d), abs=1e-12)


def test_all_equal_values_show_no_dependence() -> None:
    assert autocorrelation(np.full(100, 5), 3).tolist() == [1.0, 0.0, 0.0, 0.0]
    assert measure_dependence(np.full(100, 5)).dependent is False


@pytest.mark.parametrize("phi", [0.3, 0.6, 0.9])
def test_effective_count_of_an_autoregressive_series(phi: float) -> None:
    # n (1 - phi) / (1 + phi): Anderson, The Statistical Analysis of Time Series, section 8.3.
    values = autoregressive(phi, 100_000, 7)
    expected = 100_000 * (1 - phi) / (1 + phi)
    assert effective_count(autocorrelation(values, 2000), 100_000) == pytest.approx(expected, rel=0.1)


def test_alternating_values_do_not_count_for_more_than_they_are() -> None:
    values = autoregressive(-0.5, 5000, 1)
    assert measure_dependence(values).effective_count == 5000


@pytest.mark.parametrize(("phi", "seed", "theirs"), [(0.5, 0, 12.81), (0.9, 1, 49.48)])
def test_block_length_is_near_that_of_a_reference_library(phi: float, seed: int, theirs: float) -> None:
    # arch 8.0.0, arch.bootstrap.optimal_block_length(x)["circular"] on the same series.
    # It looks for the last relevant lag differently, so the lengths agree but roughly.
    values = autoregressive(phi, 1000, seed)
    assert automatic_block_length(autocorrelation(values, 251), 1000) == pytest.approx(theirs, rel=0.25)


def test_independent_values_are_called_independent() -> None:
    alarms = sum(
        measure_dependence(np.random.default_rng(seed).integers(0, 10**6, 2000)).dependent for seed in range(200)
    )
    # 5 lags at 2 sqrt(log10(n) / n) = 3.6 standard errors and one test in 1,000.
    assert alarms <= 3


def test_slow_clusters_are_seen_where_no_single_lag_is() -> None:
    rng = np.random.default_rng(3)
    late = (rng.random(40_000) < 0.01 * (1 + np.sin(np.arange(40_000) / 3000))).astype(np.float64)
    threshold = 2 * math.sqrt(math.log10(40_000) / 40_000)
    assert np.abs(autocorrelation(late, 5)[1:]).max() < threshold
    found = measure_dependence(late)
    assert found.dependent
    assert found.block_length >= 400


def test_very_long_runs_are_judged_by_stretches() -> None:
    rng = np.random.default_rng(9)
    values = np.repeat(rng.standard_normal(250_000), 20)
    found = measure_dependence(values)
    assert found.dependent
    # 20 equal values in a row are worth one.
    assert found.effective_count == pytest.approx(250_000, rel=0.05)
    assert found.block_length >= 40


def test_tiny_samples_are_independent() -> None:
    assert measure_dependence(np.empty(0)).block_length == 1
    assert measure_dependence(np.array([1])).effective_count == 1


def test_an_empty_sample_has_no_autocorrelation() -> None:
    with pytest.raises(ValueError, match="at least one"):
        autocorrelation(np.empty(0), 1)
