"""State levels, against waveforms whose levels are known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.exchange.imports.state_levels import RunningHistogram, StateLevels


def levels_of(values: np.ndarray[tuple[int], np.dtype[np.float64]], chunk: int = 10_000) -> StateLevels:
    histogram = RunningHistogram()
    for start in range(0, values.size, chunk):
        histogram.add(values[start : start + chunk])
    return histogram.levels()


def pulses(low: float, high: float, noise: float, duty: float = 0.02, count: int = 200_000) -> np.ndarray[
    tuple[int], np.dtype[np.float64]
]:  # fmt: skip
    generator = np.random.default_rng(3)
    state = np.arange(count) % 1000 < duty * 1000
    return np.where(state, high, low) + generator.normal(0.0, noise, count)


@pytest.mark.parametrize(("low", "high", "noise"), [(0.0, 3.3, 0.02), (-5.0, 5.0, 0.1), (1000.0, 1000.5, 0.005)])
def test_levels_and_noise_are_found(low: float, high: float, noise: float) -> None:
    found = levels_of(pulses(low, high, noise))
    # The mean of the samples about the mode: well within the noise of one sample.
    assert found.low == pytest.approx(low, abs=noise / 2)
    assert found.high == pytest.approx(high, abs=noise / 2)
    assert found.noise == pytest.approx(noise, rel=0.1)
    assert (found.low_count, found.high_count) == (196_000, 4_000)


def test_ringing_does_not_move_the_levels() -> None:
    """40 % overshoot, gone after ten samples: the level is where the waveform settles, not its extreme."""
    values = pulses(0.0, 3.3, 0.01, duty=0.2)
    values[np.arange(values.size) % 1000 < 10] *= 1.4
    found = levels_of(values)
    assert found.high == pytest.approx(3.3, abs=0.01)
    assert found.maximum > 4.5


def test_quantised_samples_give_exact_levels() -> None:
    values = np.where(np.arange(5000) % 100 < 10, 2.56, 0.04)
    found = levels_of(values)
    assert found.low == pytest.approx(0.04, abs=1e-12)
    assert found.high == pytest.approx(2.56, abs=1e-12)
    assert found.noise == pytest.approx(0.0, abs=1e-6)


def test_what_never_changes_has_one_level() -> None:
    found = levels_of(np.full(100, 1.25))
    assert found.low == found.high == pytest.approx(1.25)


def test_samples_off_the_range_are_counted_apart() -> None:
    found = levels_of(np.array([0.0, 0.0, 1.0, 1.0, np.inf, -np.inf, 1.0]))
    assert found.out_of_range == 2
    assert (found.low, found.high, found.maximum) == (0.0, 1.0, 1.0)


@pytest.mark.parametrize("value", [np.nan, 1e31])
def test_what_is_no_voltage_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match=r"not a number|no voltage"):
        RunningHistogram().add(np.array([0.0, value]))


def test_nothing_has_no_levels() -> None:
    histogram = RunningHistogram()
    histogram.add(np.array([np.inf]))
    with pytest.raises(ValueError, match="no sample"):
        histogram.levels()


@given(
    start=st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=5),
    low=st.floats(-1e3, 1e3),
    amplitude=st.floats(1e-3, 1e3),
)
def test_the_first_chunk_does_not_matter(start: list[float], low: float, amplitude: float) -> None:
    """The range grows from anywhere: counts, extremes and the mean stay what they are."""
    rest = np.where(np.arange(3000) % 3 == 0, low, low + amplitude)
    values = np.concatenate([np.array(start), rest])
    histogram = RunningHistogram()
    histogram.add(values[: len(start)])
    histogram.add(rest)
    found = histogram.levels()
    assert found.count == values.size
    assert (found.minimum, found.maximum) == (values.min(), values.max())
    assert values.min() - 1e-6 <= found.low <= found.high <= values.max() + 1e-6


@pytest.mark.parametrize("turned", [False, True])
def test_a_range_that_grows_keeps_every_sample_in_its_place(turned: bool) -> None:
    """Four levels, the middle one twice as often as the upper: the upper half's mode must stay the middle one."""
    generator = np.random.default_rng(9)
    parts = [np.full(2000, 4.0), np.full(4000, 3.0), np.full(9000, -5.0), np.full(10, 4.5)]
    values = [part + generator.normal(0.0, 0.01, part.size) for part in parts]
    histogram = RunningHistogram()
    for part in values[::-1] if turned else values:
        histogram.add(part)
    found = histogram.levels()
    assert found.low == pytest.approx(-5.0, abs=0.01)
    assert found.high == pytest.approx(3.0, abs=0.01)
    assert (found.low_count, found.high_count) == (9000, 6010)
    assert histogram.levels(-6.0, 6.0).low_count == 9000
    assert histogram.levels(-5.0, 5.0).high_count == 6010
    assert histogram.levels(3.0, 4.0).low_count == 4000
