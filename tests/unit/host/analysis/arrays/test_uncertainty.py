import math

import pytest

from edgereply.analysis.arrays.uncertainty import interval_budget


def test_a_tick_of_62_5_ns_gives_the_published_parts() -> None:
    # JCGM 100:2008, 4.3.7: a rectangle of width q has the standard deviation q/√12; two of them q/√6.
    assert interval_budget(0, 62.5, 0, 0, 1).resolution_ns == pytest.approx(25.516, abs=5e-4)


def test_the_parts_add_as_squares_and_the_expanded_one_is_twice_that() -> None:
    budget = interval_budget(1e6, 62.5, 50, 200, 100)
    assert budget.repeatability_ns == 20
    assert budget.clock_ns == pytest.approx(1e6 * 50e-6 / math.sqrt(3))
    assert budget.combined_ns == pytest.approx(math.hypot(25.516, 20, 28.868), abs=1e-2)
    assert budget.expanded_ns == 2 * budget.combined_ns


def test_an_end_gauge_combines_as_in_the_guide() -> None:
    # JCGM 100:2008, H.1: 25, 5.8, 3.9, 6.7, 2.9 and 16.6 nm combine to 32 nm (from memory); three of them here.
    assert math.hypot(25, 9.7, 2.9, 16.6) == pytest.approx(31.7, abs=0.1)
    budget = interval_budget(1e6 * math.sqrt(3), 25 * math.sqrt(6), 16.6, 9.7, 1)
    assert budget.combined_ns == pytest.approx(math.hypot(25, 9.7, 16.6), rel=1e-9)


@pytest.mark.parametrize(("tick", "ppm", "std", "count"), [(-1, 0, 0, 1), (1, -1, 0, 1), (1, 0, -1, 1), (1, 0, 0, 0)])
def test_impossible_readings_are_refused(tick: float, ppm: float, std: float, count: int) -> None:
    with pytest.raises(ValueError, match="at least one reading"):
        interval_budget(1, tick, ppm, std, count)
