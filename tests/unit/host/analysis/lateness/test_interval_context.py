import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from edgereply.analysis.lateness.interval_context import mean_ranks, relate, spearman

SECOND = 1_000_000_000


def made(
    seconds: int, seed: int, cause: bool
) -> tuple[NDArray[np.int64], NDArray[np.bool_], NDArray[np.int64], dict[str, NDArray[np.int64]]]:
    """100 stimuli a second; in some seconds a disk is busy; where it is the cause, a fifth of the answers are late."""
    random = np.random.default_rng(seed)
    read = np.arange(seconds + 1, dtype=np.int64) * SECOND + 5_000
    at = np.sort(random.integers(0, seconds * SECOND, seconds * 100))
    busy = np.repeat(random.random(seconds // 5 + 1) < 0.3, 5)[:seconds]
    share = np.where(busy & cause, 0.2, 0.01)
    late = random.random(len(at)) < share[np.minimum(at // SECOND, seconds - 1)]
    disk = np.concatenate([[0], np.cumsum(np.where(busy, 500, 20) + random.integers(0, 20, seconds))])
    readings = {"count irq 14 disk": disk, "count cpu user": np.cumsum(random.integers(0, 9, seconds + 1)),
                "gauge zone": 50_000 + np.cumsum(random.integers(-200, 201, seconds + 1))}  # fmt: skip
    return at, late, read, readings


def test_spearman_agrees_with_the_reference_library_for_independent_series() -> None:
    random = np.random.default_rng(1)
    x = random.random(200)
    y = x + random.random(200) * 3
    r, effective, p = spearman(x, y)
    known = stats.spearmanr(x, y)
    assert r == pytest.approx(known.statistic)
    assert 0.8 * 200 < effective <= 200
    assert np.log(p) == pytest.approx(np.log(known.pvalue), rel=0.2)


def test_a_busy_disk_that_makes_answers_late_is_named_and_nothing_else() -> None:
    search = relate(*made(120, 3, cause=True))
    assert search is not None
    assert [item.name for item in search.found] == ["count irq 14 disk"]
    assert search.found[0].correlation > 0.3
    assert search.found[0].when_late > 5 * search.found[0].usual
    assert search.looked_at == 3


def test_drifting_gauges_and_busy_disks_that_are_no_cause_are_left_alone() -> None:
    alarms = sum(
        bool(search.found) for seed in range(300) if (search := relate(*made(60, seed, cause=False))) is not None
    )
    assert alarms <= 300 * 0.05 + 3 * (300 * 0.05 * 0.95) ** 0.5


def test_two_slow_series_are_worth_fewer_intervals() -> None:
    walk = np.cumsum(np.random.default_rng(4).normal(size=(2, 400)), axis=1)
    _, effective, _ = spearman(walk[0], walk[1])
    assert effective < 100


@pytest.mark.parametrize("late", [np.zeros(6000, bool), np.ones(6000, bool)])
def test_nothing_to_tell_apart_gives_no_search(late: NDArray[np.bool_]) -> None:
    at, _, read, readings = made(60, 1, cause=True)
    assert relate(at, late, read, readings) is None


def test_a_short_run_gives_no_search() -> None:
    assert relate(*made(15, 1, cause=True)) is None


def test_ranks_are_those_of_the_reference_library_with_ties_too() -> None:
    for most in (2, 20, 10**6):
        values = np.random.default_rng(most).integers(0, most, 500) / 3.0
        np.testing.assert_array_equal(mean_ranks(values), stats.rankdata(values))
