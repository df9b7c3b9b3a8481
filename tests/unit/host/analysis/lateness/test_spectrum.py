import math

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.lateness.spectrum import Spectrum, exact_power, false_alarm, spectrum, stretched, weights


def test_power_is_rayleighs_z() -> None:
    # Zar, Biostatistical Analysis, example of eight compass bearings (from memory): r = .8252, z = 5.448.
    degrees = np.array([45, 55, 81, 96, 110, 117, 132, 154])
    power = exact_power(degrees / 360.0, np.full(8, 1 / math.sqrt(8)), np.array([1.0]))
    assert power[0] == pytest.approx(5.44787, abs=5e-5)


@pytest.mark.parametrize("cycles_away", [0.0, 0.7, -1.3])
def test_powers_near_a_peak_from_stretches_are_those_of_all_stimuli(cycles_away: float) -> None:
    rng = np.random.default_rng(7)
    # Bursts of arrivals: most stretches are empty, some are full.
    seconds = np.sort(np.concatenate([rng.uniform(0, 60, 30_000), rng.normal(31.0, 0.003, 20_000)]))
    seconds -= seconds[0]
    late = np.mod(seconds / 0.00713, 1) < 0.02
    centre = 1 / 0.00713
    tried = centre + cycles_away / float(seconds[-1])
    # The sum itself, in numpy's complex numbers.
    turned = np.dot(weights(late), np.exp(-2j * np.pi * np.mod(seconds * tried, 1.0)))
    found = stretched(seconds, weights(late), centre).power(np.array([tried]))
    assert found[0] == pytest.approx(abs(turned) ** 2, rel=1e-3)
    assert exact_power(seconds, weights(late), np.array([tried]))[0] == pytest.approx(abs(turned) ** 2, rel=1e-3)


def test_false_alarm_probabilities() -> None:
    # A power of 15 is Z^2_1 = 30, of single probability 3.05902e-7 (stingray's z2_n_probability).
    assert false_alarm(15.0, 1) == pytest.approx(3.05902e-7, rel=1e-5)
    assert false_alarm(15.0, 10) == pytest.approx(1 - (1 - 3.05902e-7) ** 10, rel=1e-5)
    assert false_alarm(0.0, 5) == 1.0
    assert false_alarm(800.0, 1e9) == 0.0


def test_weights_add_up_to_nothing_and_unit_power() -> None:
    weight = weights(np.arange(1000) % 7 == 0)
    assert weight.sum() == pytest.approx(0.0, abs=1e-9)
    assert np.dot(weight, weight) == pytest.approx(1.0)


def test_power_of_independent_lateness_is_exponential() -> None:
    rng = np.random.default_rng(1)
    seconds = np.cumsum(rng.exponential(0.001, 5000))
    frequencies = rng.uniform(1, 1e5, 2000)
    power = exact_power(seconds, weights(rng.random(5000) < 0.02), frequencies)
    assert power.mean() == pytest.approx(1.0, abs=0.1)
    assert np.mean(power > 3) == pytest.approx(math.exp(-3), abs=0.02)


def test_stimuli_that_keep_a_rhythm_add_no_power() -> None:
    rng = np.random.default_rng(2)
    seconds = np.arange(5000) * 0.001 + rng.uniform(0, 0.0001, 5000)
    power = exact_power(seconds, weights(rng.random(5000) < 0.02), np.array([1000.0]))
    assert power[0] < 12


def test_the_grid_finds_a_line_where_the_exact_power_is() -> None:
    rng = np.random.default_rng(3)
    seconds = np.cumsum(rng.exponential(0.001, 5000))
    seconds -= seconds[0]
    late = np.mod(seconds / 0.0071, 1) < 0.02
    grid = spectrum(seconds, late, 1e-5, 8)
    line = 1 / 0.0071
    place = round(line / grid.step_hz)
    exact = exact_power(seconds, weights(late), np.array([place * grid.step_hz]))[0]
    assert grid.power[place] == pytest.approx(exact, rel=0.35)
    assert grid.power[place] > 20
    assert (grid.power[: grid.first] == 0).all()
    assert grid.shortest_ns == pytest.approx(10_000, rel=0.01)
    assert grid.longest_ns == pytest.approx(seconds[-1] / 8 * 1e9, rel=0.01)


def test_a_burst_raises_its_surroundings_and_no_line() -> None:
    rng = np.random.default_rng(4)
    seconds = np.cumsum(rng.exponential(0.001, 20_000))
    seconds -= seconds[0]
    late = rng.random(20_000) < 0.005
    late[7000:7060] = True
    late[15_000:15_040] = True
    grid = spectrum(seconds, late, 1e-5, 8)
    assert false_alarm(float(grid.power.max()), grid.trials) > 0.001


def test_long_runs_give_up_short_periods_not_memory() -> None:
    seconds = np.sort(np.random.default_rng(5).uniform(0, 900, 2000))
    seconds[0] = 0.0
    grid = spectrum(seconds, np.arange(2000) % 50 == 0, 1e-5, 8)
    assert grid.shortest_ns > 50_000
    assert grid.power.size <= 16_000_000


@pytest.mark.parametrize("off", [0.0, 0.25, 0.5])
def test_a_line_between_two_frequencies_of_the_grid_loses_little(off: float) -> None:
    rng = np.random.default_rng(6)
    seconds = np.sort(rng.uniform(0, 10.0, 5000))
    seconds -= seconds[0]
    undisturbed = spectrum(seconds, np.arange(5000) % 50 == 0, 1e-4, 8)
    line = (1000 + off) * undisturbed.step_hz
    late = np.mod(seconds * line, 1) < 0.02
    grid = spectrum(seconds, late, 1e-4, 8)
    exact = exact_power(seconds, weights(late), np.array([line]))[0]
    # Ransom et al. (2002): without the power between bins a line halfway keeps only (2 / pi) ** 2 = 41 %.
    assert grid.power[998:1004].max() > 0.6 * exact


def by_the_book(grid: Spectrum) -> NDArray[np.float32]:
    """All powers in a row, as the definition has them: the larger of bin and half way, over the stretch's level."""
    bins = grid.transformed
    power = np.square(bins.real) + np.square(bins.imag)
    halfway = np.abs(bins[:-1] - bins[1:])
    power[:-1] = np.maximum(power[:-1], halfway * (halfway * np.float32(np.pi**2 / 16)))
    searched, level = power[grid.first :], np.float32(1.0)
    power[: grid.first] = 0.0
    for start in range(0, searched.size, 64):
        if start + 64 <= searched.size:
            level = np.float32(max(np.median(searched[start : start + 64]) / np.float32(1.1), 1.0))
        searched[start : start + 64] /= level
    return power


@pytest.mark.parametrize(("count", "burst"), [(20, False), (700, True), (5000, False), (5000, True)])
def test_powers_of_chosen_bins_are_those_of_the_whole_spectrum(count: int, burst: bool) -> None:
    rng = np.random.default_rng(count)
    seconds = np.cumsum(rng.exponential(0.001, count))
    seconds -= seconds[0]
    late = np.arange(count) < count // 9 if burst else np.mod(seconds / 0.0071, 1) < 0.1
    grid = spectrum(seconds, late, 2e-5 if count > 20 else 5e-3, 8)
    whole = by_the_book(grid)
    np.testing.assert_array_equal(grid.power, whole)
    chosen = rng.permutation(whole.size)[:500]
    np.testing.assert_array_equal(grid.at(chosen), whole[chosen])
    for level in (0.5, 2.0, 11.0, 1e9):
        np.testing.assert_array_equal(grid.above(level), np.flatnonzero(whole > level))
