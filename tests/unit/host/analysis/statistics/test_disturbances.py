import numpy as np
import pytest
from scipy import stats

from edgereply.analysis.arrays.bits import pack
from edgereply.analysis.statistics.disturbances import Disturbances, find_disturbances


def seen(late: np.ndarray) -> Disturbances:
    return find_disturbances(pack(late))


def groups(stimuli: int, size: int, starts: list[int]) -> np.ndarray:
    late = np.zeros(stimuli, np.bool_)
    for start in starts:
        late[start : start + size] = True
    return late


def test_late_answers_alone_get_clopper_and_pearsons_limits() -> None:
    late = np.zeros(20_000, np.bool_)
    late[np.random.default_rng(1).choice(20_000, 12, replace=False)] = True
    found = seen(late)
    assert (found.largest, found.inflation, found.allowed) == (1, 1.0, 1)
    reference = stats.binomtest(12, 20_000).proportion_ci(0.9, method="exact")
    assert found.at_most(0.95) == pytest.approx(reference.high)
    assert found.at_least(0.95) == pytest.approx(reference.low)


def test_equal_groups_get_garwoods_limit_times_their_size() -> None:
    # Garwood (1936), as tabulated: 3 events, one-sided 95 %: 0.818 to 7.754.
    found = seen(groups(100_000, 10, [10_000, 47_000, 90_000]))
    assert (found.late, found.largest, round(found.groups, 1)) == (30, 10, 3.0)
    assert found.at_most(0.95, 10) * 10_000 == pytest.approx(7.754, rel=1e-2)
    assert found.at_least(0.95) * 10_000 == pytest.approx(0.818, rel=1e-2)


def test_unequal_groups_get_fay_and_feuers_limit() -> None:
    # Fay and Feuer (1997): gamma with mean S + w and variance Q + w ** 2, here by scipy. Two late ones alone, then a
    # group of 9 or 10 is allowed for. The beta distribution has half a per cent less, as binomial limits have.
    found = Disturbances(stimuli=2998, late=2, largest=1, inflation=1.0)
    for allowed in (9, 10):
        mean, variance = 2 + allowed, 2 + allowed**2
        limit = stats.gamma.ppf(0.95, mean**2 / variance, scale=variance / mean) / 2998
        assert found.at_most(0.95, allowed) == pytest.approx(limit, rel=1e-2)
    assert found.at_most(0.95, 9) <= 0.01 < found.at_most(0.95, 10)
    assert found.largest_held(0.01, 0.95) == 9


def test_without_late_answers_the_rule_of_three_holds_for_every_size_of_group() -> None:
    found = seen(np.zeros(3000, np.bool_))
    for size in (1, 10, 100):
        assert found.at_most(0.95, size) == pytest.approx(1.0 - 0.05 ** (size / 3000))
    assert found.at_least(0.95) == 0.0


def test_few_groups_allow_for_larger_ones_than_many() -> None:
    many = seen(groups(100_000, 10, list(range(1_000, 99_000, 7_000))))
    few = seen(groups(100_000, 10, [10_000, 60_000]))
    assert (many.allowed, few.allowed) == (20, 50)


def test_gaps_within_a_disturbance_do_not_hide_it() -> None:
    late = np.zeros(50_000, np.bool_)
    for start in (4_000, 21_000, 39_000, 48_000):
        late[start : start + 80 : 8] = True
    assert seen(late).groups == pytest.approx(4.0, abs=0.5)


def test_a_state_that_lasts_a_fifth_of_the_run_is_one_disturbance() -> None:
    rng = np.random.default_rng(2)
    late = np.zeros(5_000, np.bool_)
    late[2_000:3_000] = rng.random(1_000) < 0.05
    assert seen(late).groups == 1.0
    scattered = rng.permutation(late)
    assert seen(scattered).groups == scattered.sum()


@pytest.mark.parametrize("late", [np.ones(60, np.bool_), np.zeros(60, np.bool_), np.arange(60) == 7])
def test_all_none_and_one_late(late: np.ndarray) -> None:
    found = seen(late)
    count = int(late.sum())
    assert found.late == count
    assert found.at_least(0.95) <= count / 60 <= found.at_most(0.95)
