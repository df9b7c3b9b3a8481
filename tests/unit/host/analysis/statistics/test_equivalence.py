import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from edgereply.analysis.arrays.aliases import Floats
from edgereply.analysis.statistics.block_differences import sign_flip_p
from edgereply.analysis.statistics.equivalence import (
    LogQuantile,
    Ratio,
    between_sittings,
    log_quantile,
    ratio_of_quantiles,
    ratio_of_rounds,
)


def logs_of(found: Ratio) -> list[float]:
    """Both ends on the scale of logarithms."""
    assert found.low is not None
    assert found.high is not None
    return [math.log(found.low), math.log(found.high)]


@pytest.mark.parametrize(
    ("low", "high", "outcome"),
    [
        (0.98, 1.03, "same"), (1.0, 1.0, "same"), (1.01, 1.049, "same"), (0.9530, 1.0, "same"),
        (0.9520, 1.0, "cannot tell"), (1.0, 1.0501, "cannot tell"), (1.04, 1.06, "cannot tell"),
        (1.051, 1.2, "different"), (0.7, 0.9523, "different"), (0.7, 0.9525, "cannot tell"),
        (1.05, 1.05, "cannot tell"),
    ],
)  # fmt: skip
def test_an_interval_is_held_against_the_margin_on_either_side(low: float, high: float, outcome: str) -> None:
    assert Ratio(math.sqrt(low * high), low, high).outcome(0.05) == outcome


def test_with_no_margin_any_sure_difference_counts_and_nothing_is_the_same() -> None:
    assert Ratio(1.001, 1.0001, 1.002).outcome(0.0) == "different"
    assert Ratio(1.0, 0.999, 1.001).outcome(0.0) == "cannot tell"
    assert Ratio(1.0, 1.0, 1.0).outcome(0.0) == "cannot tell"
    assert Ratio(3.0).outcome(0.05) == "cannot tell"


@given(st.floats(0.01, 100.0), st.floats(0.5, 0.999), st.floats(1.001, 2.0), st.floats(0.0, 0.5))
def test_which_side_is_named_first_changes_nothing(value: float, down: float, up: float, matters: float) -> None:
    ratio = Ratio(value, value * down, value * up)
    back = ratio.inverse()
    assert back.outcome(matters) == ratio.outcome(matters)
    assert back.change == pytest.approx(-ratio.change)
    if ratio.outcome(matters) == "same":
        assert abs(ratio.change) < matters


def test_the_interval_of_a_difference_of_normal_means_is_the_textbook_one() -> None:
    """Zou and Donner (2008), equation 3: for symmetric intervals theirs is that of the normal difference."""
    z = stats.norm.isf(0.025)
    first, second = (LogQuantile(mean, z * error, z * error) for mean, error in ((1.0, 0.03), (1.1, 0.04)))
    found = ratio_of_quantiles([first], [second])
    low, high = stats.norm.interval(0.95, loc=0.1, scale=0.05)
    assert logs_of(found) == pytest.approx([low, high])


def test_newcombes_difference_of_proportions_by_the_same_rule() -> None:
    """Newcombe (1998), Statistics in Medicine 17, 873-890, example (a): 56/70 and 48/80, method 10: 0.0524 to 0.3339
    (from memory; scipy gives the Wilson limits that go in)."""
    sides = []
    for events, trials in ((48, 80), (56, 70)):
        ends = stats.binomtest(events, trials).proportion_ci(method="wilson")
        share = events / trials
        sides.append(LogQuantile(share, share - ends.low, ends.high - share))
    found = ratio_of_quantiles([sides[0]], [sides[1]])
    assert logs_of(found) == pytest.approx([0.0524, 0.3339], abs=6e-5)


def test_several_sittings_take_students_interval_where_it_is_the_wider() -> None:
    rng = np.random.default_rng(3)
    logs = [rng.normal(0.0, 0.02, 4), rng.normal(0.1, 0.02, 3)]
    sittings = between_sittings([list(values) for values in logs])
    assert sittings is not None
    sides = [[LogQuantile(value, 1e-4, 1e-4) for value in values] for values in logs]
    found = ratio_of_quantiles(sides[0], sides[1], sittings)
    wanted = stats.ttest_ind(logs[1], logs[0]).confidence_interval(0.95)
    assert logs_of(found) == pytest.approx([wanted.low, wanted.high])
    wide = [[LogQuantile(value, 1.0, 1.0) for value in values] for values in logs]
    own = ratio_of_quantiles(wide[0], wide[1], sittings)
    assert own.low is not None
    assert math.log(own.value / own.low) == pytest.approx(math.hypot(1 / math.sqrt(4), 1 / math.sqrt(3)))


def test_what_lies_between_sittings_is_pooled_over_setups_with_more_than_one() -> None:
    assert between_sittings([[1.0], [2.0], []]) is None
    # Standard deviations .1 with one degree of freedom and 0 with two.
    found = between_sittings([[1.0, 1.0 + 0.1 * math.sqrt(2)], [5.0, 5.0, 5.0], [9.0]])
    assert found is not None
    assert found.freedom == 3
    assert found.std == pytest.approx(math.sqrt(0.01 / 3))


def test_times_below_a_nanosecond_count_as_one() -> None:
    found = log_quantile(0, 0, math.e)
    assert (found.value, found.below) == (0.0, 0.0)
    assert found.above == pytest.approx(1.0)


def _not_rejected(logs: Floats, centre: float, confidence: float) -> bool:
    """By the sign-flip test of all orders of signs, on differences in whole parts of a million million."""
    return sign_flip_p(np.rint((logs - centre) * 1e12).astype(np.int64)) > 1.0 - confidence


@pytest.mark.parametrize("rounds", [6, 8, 10])
def test_the_interval_of_rounds_is_what_a_sign_flip_test_does_not_reject(rounds: int) -> None:
    logs = np.random.default_rng(rounds).normal(0.03, 0.01, rounds)
    found = ratio_of_rounds(logs)
    assert found.low is not None
    assert found.high is not None
    for end, inward in ((math.log(found.low), 1), (math.log(found.high), -1)):
        assert _not_rejected(logs, end + inward * 1e-6, 0.95)
        assert not _not_rejected(logs, end - inward * 1e-6, 0.95)


def test_six_rounds_are_the_fewest() -> None:
    assert ratio_of_rounds(np.zeros(5)).low is None
    logs = np.array([0.01, -0.02, 0.03, 0.0, 0.05, 0.04])
    six = ratio_of_rounds(logs)
    assert logs_of(six) == pytest.approx([-0.02, 0.05])
    assert ratio_of_rounds(logs, 0.97).low is None


def test_chances_of_the_interval_of_rounds_are_exact_for_any_symmetric_shape() -> None:
    """Hartigan (1969): of all signs of the same sizes, 6 of 256 leave the centre beyond either end."""
    sizes = np.array([1.0, 2.3, 4.1, 0.2, 7.7, 3.9, 0.9, 11.2]) * 1e-3
    held = 0
    for signs in product((-1.0, 1.0), repeat=8):
        found = ratio_of_rounds(np.array(signs) * sizes)
        assert found.low is not None
        assert found.high is not None
        held += found.low < 1.0 < found.high
    assert held == 256 - 2 * 6


def test_many_rounds_take_drawn_subsets_that_say_the_same() -> None:
    logs = np.random.default_rng(4).normal(0.0, 0.01, 12)
    every = ratio_of_rounds(logs)
    more = ratio_of_rounds(np.concatenate([logs, [float(logs.mean())]]))
    assert every.low is not None
    assert more.low is not None
    # One more round in the middle: sizes shrink by about 12/13, and drawing adds little.
    assert math.log(more.low) == pytest.approx(math.log(every.low) * 12 / 13, rel=0.03)


def test_rounds_of_an_awkward_shape_are_held_as_often_as_said() -> None:
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(1_000):
        found = ratio_of_rounds(0.05 + 0.001 * rng.standard_cauchy(8))
        assert found.low is not None
        assert found.high is not None
        held += math.log(found.low) <= 0.05 <= math.log(found.high)
    # 95.3 % of 1,000, four standard deviations.
    assert abs(held - 953) < 4 * math.sqrt(1_000 * 0.953 * 0.047)
