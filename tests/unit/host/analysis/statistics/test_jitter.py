import math

import numpy as np
import pytest

from edgereply.analysis.statistics.jitter import period_errors, response_jitter

# Worked example of period jitter, cycle-to-cycle jitter and time interval error by the definitions of
# JEDEC JESD65B, in tenths: edges 0, 10.2, 19.9, 30.1, 40.0, 49.8 against an ideal period of 10.
IDEAL = np.arange(6, dtype=np.int64) * 100
EDGES = np.array([0, 102, 199, 301, 400, 498], dtype=np.int64)


def test_the_definitions_on_a_worked_example() -> None:
    errors = period_errors(EDGES - IDEAL, np.ones(6, dtype=np.bool_))
    assert (errors + 100).tolist() == [102, 97, 102, 99, 98]
    found = response_jitter(EDGES - IDEAL)
    assert found.period_std_ns == pytest.approx(2.30217, abs=5e-6)
    assert found.period_peak_to_peak_ns == 5
    assert found.cycle_to_cycle_max_ns == 5
    assert found.tie_peak_to_peak_ns == 4


def test_independent_answers_spread_periods_by_root_two() -> None:
    # The difference of two independent values has twice the variance (JCGM 100, 5.1.2).
    rng = np.random.default_rng(2)
    found = response_jitter(60_000 + rng.normal(0, 1000, 100_000).astype(np.int64))
    assert found.tie_std_ns is not None
    assert found.period_std_ns is not None
    assert found.period_std_ns / found.tie_std_ns == pytest.approx(math.sqrt(2), rel=0.02)


def test_quantisation_of_a_16_mhz_capture() -> None:
    # JCGM 100 4.3.7: 62.5 / sqrt(12) = 18.042 ns a stamp, 25.516 ns the difference of two. Picoseconds here.
    rng = np.random.default_rng(3)
    true = np.cumsum(rng.integers(10**6, 10**8, 200_000))
    stamped = true // 62_500 * 62_500
    found = response_jitter(stamped - true)
    assert found.tie_std_ns == pytest.approx(18_042, rel=0.01)
    assert found.period_std_ns == pytest.approx(25_516, rel=0.01)


def test_pairs_across_a_missed_stimulus_are_left_out() -> None:
    answered = np.array([True, True, False, True, True, True])
    rise = EDGES.copy()
    rise[2] = -(2**62)
    found = response_jitter(rise - IDEAL, answered)
    errors = period_errors(rise - IDEAL, answered)
    assert (errors + 100).tolist() == [102, 99, 98]
    assert found.periods == 3
    assert found.cycle_to_cycle_max_ns == 1
    assert found.tie_peak_to_peak_ns == 4


@pytest.mark.parametrize("count", [0, 1])
def test_nothing_to_compare(count: int) -> None:
    found = response_jitter((EDGES - IDEAL)[:count])
    assert found.periods == 0
    assert found.period_peak_to_peak_ns is None
    assert found.cycle_to_cycle_max_ns is None


def test_unequal_arrays_are_refused() -> None:
    with pytest.raises(ValueError, match="5 for 6"):
        response_jitter(EDGES - IDEAL, np.ones(5, dtype=np.bool_))


def test_changes_over_the_seams_of_a_long_run_count() -> None:
    """Two neighbouring errors on either side of a piece's end: 65,536 and 65,537 answers from the start."""
    for place in range(65_533, 65_540):
        reaction = np.zeros(140_000, np.int64)
        reaction[place] = 1_000
        assert response_jitter(reaction).cycle_to_cycle_max_ns == 2_000
