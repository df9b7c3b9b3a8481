"""50 % crossings, against waveforms that are known in closed form: ramps, RC steps (τ·ln 2), Gaussian edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special

from edgereply.analysis.arrays.aliases import Floats
from edgereply.exchange.imports.crossings import CrossingFinder, Crossings


def find(time: Floats, value: Floats, chunk: int = 0, band: float = 0.1, noise: float = 0.0, high: float = 1.0) -> (
    Crossings
):  # fmt: skip
    finder = CrossingFinder(0.0, high, band=band, noise=noise)
    size = chunk or time.size
    parts = [finder.feed(time[n : n + size], value[n : n + size]) for n in range(0, time.size, size)]
    names = ("at", "rising", "uncertainty", "several")
    return Crossings(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def test_a_ramp_crosses_in_its_middle() -> None:
    """A linear ramp of length L crosses 50 % at L / 2: interpolation is exact."""
    time = np.arange(0.0, 500.0, 7.0)
    value = np.clip((time - 100.3) / 61.0, 0.0, 1.0) - np.clip((time - 300.0) / 40.0, 0.0, 1.0)
    found = find(time, value)
    assert found.at == pytest.approx([100.3 + 30.5, 320.0], abs=1e-9)
    assert found.rising.tolist() == [True, False]
    assert not found.several.any()


@pytest.mark.parametrize("step", [1.0, 5.0, 20.0, 60.0])
def test_an_rc_step_crosses_after_tau_ln_2(step: float) -> None:
    """An RC step crosses 50 % at τ·ln 2 = 0.693147 τ; the error stays within the stated uncertainty, k = 2."""
    tau, generator = 100.0, np.random.default_rng(int(step))
    for start in generator.uniform(1000.0, 1000.0 + step, 50):
        time = np.arange(0.0, 3000.0, step)
        value = np.where(time > start, 1.0 - np.exp(-np.maximum(time - start, 0.0) / tau), 0.0)
        found = find(time, value)
        assert found.at.size == 1
        error = abs(float(found.at[0]) - (start + tau * 0.6931471805599453))
        assert error <= 2.0 * float(found.uncertainty[0])
        assert float(found.uncertainty[0]) <= step / 4.0


def test_a_gaussian_edge_crosses_at_its_centre() -> None:
    time = np.arange(0.0, 2000.0, 10.0)
    for centre in (1003.7, 997.1, 1009.9):
        value = np.asarray(special.ndtr((time - centre) / 40.0), np.float64)
        assert find(time, value).at == pytest.approx([centre], abs=0.15)


def test_noise_scatters_crossings_as_stated() -> None:
    """Noise and quantisation on a slow ramp: the scatter is what the stated uncertainty says, within a fifth."""
    generator = np.random.default_rng(5)
    time, noise = np.arange(0.0, 400.0, 4.0), 0.02
    errors, stated = [], []
    for start in generator.uniform(150.0, 154.0, 600):
        ramp = np.clip((time - start) / 100.0, 0.0, 1.0) + generator.normal(0.0, noise, time.size)
        found = find(time, ramp, noise=noise)
        errors.append(float(found.at[0]) - start - 50.0)
        stated.append(float(found.uncertainty[0]))
    assert abs(np.mean(errors)) < 0.3
    # Two samples share the noise, and noise upon noise may cross twice: a little below the one sample's that is stated.
    assert 0.6 < np.std(errors) / np.mean(stated) < 1.0


def test_an_edge_between_two_samples_is_known_to_one_over_the_root_of_twelve() -> None:
    """JCGM 100:2008, 4.3.7: uniform over one step h, standard deviation h / √12."""
    generator = np.random.default_rng(6)
    time = np.arange(0.0, 1000.0, 10.0)
    starts = generator.uniform(500.0, 510.0, 2000)
    errors = [float(find(time, (time >= start).astype(np.float64)).at[0]) - start for start in starts]
    assert np.std(errors) == pytest.approx(10.0 / math.sqrt(12.0), rel=0.05)
    assert find(time, (time >= 505.0).astype(np.float64)).uncertainty == pytest.approx([10.0 / math.sqrt(12.0)])


def test_noise_on_a_slow_edge_is_one_edge() -> None:
    time = np.arange(0.0, 2000.0)
    ramp = np.clip((time - 500.0) / 1000.0, 0.0, 1.0) + np.random.default_rng(2).normal(0.0, 0.02, time.size)
    found = find(time, ramp)
    assert found.at == pytest.approx([1000.0], abs=20.0)
    assert found.several.tolist() == [True]
    assert find(time, ramp, band=0.0).at.size > 1


def test_a_runt_that_stays_within_the_band_is_no_edge() -> None:
    time = np.arange(0.0, 100.0)
    value = np.where((time > 40) & (time < 60), 0.55, 0.0)
    assert find(time, value).at.size == 0
    assert find(time, value, band=0.0).at.size == 2


def test_off_the_screen_is_high() -> None:
    time = np.arange(0.0, 10.0)
    found = find(time, np.where(time >= 5, np.inf, 0.0))
    assert found.rising.tolist() == [True]
    assert 4.0 < found.at[0] < 5.0


def test_it_begins_in_any_state() -> None:
    time = np.arange(0.0, 10.0)
    assert find(time, np.ones(10)).at.size == 0
    assert find(time, np.where(time < 5, 1.0, 0.0)).rising.tolist() == [False]


@given(data=st.lists(st.integers(0, 8), min_size=2, max_size=60), chunk=st.integers(1, 20))
def test_chunks_make_no_difference_and_edges_alternate(data: list[int], chunk: int) -> None:
    value = np.array(data) / 8.0
    time = np.arange(value.size, dtype=np.float64) * 3.0
    whole, parts = find(time, value), find(time, value, chunk=chunk)
    assert parts.at == pytest.approx(whole.at)
    assert parts.rising.tolist() == whole.rising.tolist()
    assert (np.diff(whole.at) > 0).all()
    assert (whole.rising[1:] != whole.rising[:-1]).all()


@pytest.mark.parametrize(("low", "high", "band"), [(1.0, 1.0, 0.1), (2.0, 1.0, 0.1), (0.0, 1.0, 0.5), (0.0, 1.0, -0.1)])
def test_senseless_levels_are_refused(low: float, high: float, band: float) -> None:
    with pytest.raises(ValueError, match="levels must differ"):
        CrossingFinder(low, high, band=band)
