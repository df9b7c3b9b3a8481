"""A clock's rate error and its uncertainty: on readings whose truth is known, and how often the interval holds it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.clock_rate import PIECES, ClockRate, rate_by_arrivals, rate_by_pulses

PERIOD_NS = 10_000_000
TICK_NS = 62.5


def pulses(error_ppm: float, count: int, rng: np.random.Generator, missing: float = 0.0) -> ClockRate:
    true = np.arange(count) * PERIOD_NS + rng.uniform(0, PERIOD_NS)
    ticks = np.floor(true * (1 + error_ppm * 1e-6) / TICK_NS)
    at = (ticks * TICK_NS).astype(np.int64)
    kept = np.concatenate([[True], rng.random(count - 1) >= missing])
    return rate_by_pulses(at[kept], PERIOD_NS, TICK_NS, 0.0)


@pytest.mark.parametrize("error_ppm", [-4800.0, -37.5, 0.0, 12.34, 4999.0])
@pytest.mark.parametrize("missing", [0.0, 0.3])
def test_pulses_give_the_error_that_was_put_in(error_ppm: float, missing: float) -> None:
    rate = pulses(error_ppm, 1000, np.random.default_rng(1), missing)
    assert abs(rate.error_ppm - error_ppm) <= rate.expanded_ppm
    assert rate.expanded_ppm < 0.02  # two ticks in ten seconds are 0.0125 ppm
    assert rate.tolerance_ppm == abs(rate.error_ppm) + rate.expanded_ppm


def arrivals(error_ppm: float, seed: int) -> ClockRate:
    """A minute of stamps that arrive after 0.2 ms and up to a millisecond of polling, some of them much later."""
    rng = np.random.default_rng(seed)
    true = np.arange(3000) * 20_000_000.0
    delay = 200_000 + rng.uniform(0, 1_000_000, 3000) + rng.exponential(300_000, 3000)
    at = np.floor(true * (1 + error_ppm * 1e-6) / TICK_NS) * TICK_NS
    return rate_by_arrivals(at.astype(np.int64), (true + delay).astype(np.int64), TICK_NS, 0.0)


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    """95 % by the book; the drift allowed for the delay makes it hold a little more often."""
    rates = [arrivals(41.7, seed) for seed in range(300)]
    held = sum(abs(rate.error_ppm - 41.7) <= rate.expanded_ppm for rate in rates)
    assert stats.binomtest(held, 300, 0.95, alternative="less").pvalue > 0.001, held
    assert (
        np.median([rate.expanded_ppm for rate in rates]) < 2.0
    )  # a late arrival of a millisecond in a minute would be 17 ppm


def test_late_arrivals_do_not_move_the_rate() -> None:
    rng = np.random.default_rng(3)
    true = np.arange(3000) * 20_000_000.0
    delay = 200_000 + rng.uniform(0, 200_000, 3000)
    delay[2000:] += (rng.random(1000) < 0.8) * rng.uniform(0, 50_000_000, 1000)
    rate = rate_by_arrivals(true.astype(np.int64), (true + delay).astype(np.int64), 1.0, 0.0)
    assert abs(rate.error_ppm) <= rate.expanded_ppm < 1.0


def test_the_budget_is_the_guides() -> None:
    """JCGM 100:2008: q/√6 (4.3.7), a/√3 (4.3.7), squares (5.1.2), Welch and Satterthwaite (G.4.1), t of table G.2."""
    rng = np.random.default_rng(5)
    at = (np.arange(1000) * PERIOD_NS + rng.normal(0, 50_000, 1000)).astype(np.int64)
    rate = rate_by_pulses(at, PERIOD_NS, TICK_NS, 0.3)
    assert rate.resolution_ppm == pytest.approx(TICK_NS / math.sqrt(6) / 9.99e9 * 1e6)
    assert rate.reference_ppm == pytest.approx(0.3 / math.sqrt(3))
    parts = (rate.repeatability_ppm, rate.resolution_ppm, rate.delay_ppm, rate.reference_ppm)
    assert rate.combined_ppm == pytest.approx(math.sqrt(sum(part**2 for part in parts)))
    assert rate.degrees == pytest.approx((PIECES - 2) * (rate.combined_ppm / rate.repeatability_ppm) ** 4)
    assert rate.expanded_ppm == pytest.approx(rate.coverage * rate.combined_ppm)
    # Table G.2: t for 95 % with 8 degrees of freedom is 2.31, with infinitely many 1.96.
    alone = rate_by_pulses(at, PERIOD_NS, 0.0, 0.0)
    assert alone.degrees == pytest.approx(8)
    assert alone.coverage == pytest.approx(2.31, abs=0.005)
    exact = rate_by_pulses(np.arange(1000) * PERIOD_NS, PERIOD_NS, TICK_NS, 1.0)
    assert exact.coverage == pytest.approx(1.96, abs=0.005)


@pytest.mark.parametrize(
    ("at", "said"),
    [
        (np.arange(29) * PERIOD_NS, "29 readings are too few"),
        (np.arange(100) * PERIOD_NS * 13 // 10, "do not come every 10000000 ns"),
        (np.arange(100) * PERIOD_NS * 5 // 6, "do not come every"),
        (np.arange(100) * PERIOD_NS * 31 // 30, "do not come every"),
        (np.zeros(100, np.int64), "do not come every"),
        (np.concatenate([np.arange(50), 500 + np.arange(50)]) * PERIOD_NS, "nothing was read in piece 2 of 10"),
    ],
)
def test_readings_that_allow_no_estimate_are_refused(at: Int64s, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        rate_by_pulses(at, PERIOD_NS, TICK_NS, 0.0)
