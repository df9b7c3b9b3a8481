import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.analysis.statistics.sequential import look_confidence, look_count, may_stop
from tests.benchmarks.interval_coverage import rare


def answers(seed: int, count: int) -> NDArray[np.int64]:
    return 60_000 + np.random.default_rng(seed).exponential(10_000, count).astype(np.int64)


def test_the_looks_share_out_the_whole_risk() -> None:
    # sum of 1 / (k (k + 1)) telescopes to 1.
    spent = sum(1 - look_confidence(k) for k in range(1, 2000))
    assert spent == pytest.approx(0.05, rel=1e-3)
    assert spent < 0.05


def test_looks_grow_from_the_first_possible() -> None:
    # ln(80) / -ln(0.999) is 4,379.9 for a look at 97.5 %; ten times that rules out groups of ten.
    assert look_count(1, 0.999) == 43_799
    assert [look_count(k, 0.999) / look_count(k - 1, 0.999) for k in (2, 3, 4)] == pytest.approx([1.5] * 3, rel=1e-3)


def test_it_stops_at_the_first_precise_look_only() -> None:
    found = may_stop(answers(1, 900_000))
    assert found.stop
    assert [look.precise for look in found.looks] == [False] * (len(found.looks) - 1) + [True]
    last = found.looks[-1]
    assert last.value_ns is not None
    assert last.low_ns is not None
    assert last.high_ns is not None
    assert max(last.high_ns - last.value_ns, last.value_ns - last.low_ns) <= 0.05 * last.value_ns


def test_only_planned_looks_are_taken() -> None:
    early, later = may_stop(answers(1, 65_698)), may_stop(answers(1, 65_699))
    assert [look.count for look in early.looks] == [43_799]
    assert early.next_count == 65_699
    assert [look.count for look in later.looks] == [43_799, 65_699]


def test_before_the_first_look() -> None:
    found = may_stop(answers(1, 100))
    assert (found.looks, found.stop, found.next_count) == ((), False, 43_799)


def test_the_whole_sequence_holds_the_quantile() -> None:
    truth = 60_000 + 10_000 * np.log(5)
    wrong = 0
    for seed in range(150):
        looks = may_stop(answers(seed, 5000), p=0.8, within=1e-9).looks
        assert len(looks) >= 8
        wrong += any(not look.low_ns <= truth <= look.high_ns for look in looks if look.low_ns and look.high_ns)
    # At most 5 % of sequences with any wrong look: 7.5 of 150; 4 standard deviations above that are 18.
    assert wrong <= 18


def test_looking_as_often_at_95_percent_intervals_would_be_wrong_more_often() -> None:
    truth = 60_000 + 10_000 * np.log(5)
    wrong = 0
    for seed in range(60):
        values = answers(seed, 5000)
        found = [quantile_interval(values[: look_count(k, 0.9)], 0.9) for k in range(1, 11)]
        ends = [f.ends_ns for f in found if f is not None and f.ends_ns is not None]
        wrong += any(not low <= truth <= high for low, high in ends)
    assert wrong > 8


def test_precision_must_be_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        may_stop(np.arange(10), within=0.0)


def test_a_run_that_no_disturbance_came_to_yet_is_not_stopped() -> None:
    # Groups of ten, one in 1,500 answers: 0.67 % are late, and p99.5 is among them. Of runs of 3,000, one in seven saw
    # none and knows its p99.5 within 1 %, wrongly.
    population = rare(10, 1_500, 20_000)
    truth, wrong, stopped, narrow = population.quantile(0.995), 0, 0, 0
    for seed in range(60):
        values = population.draw(np.random.default_rng(seed), 20_000)
        found = may_stop(values, p=0.995, within=0.05)
        stopped += found.stop
        if found.stop:
            last = found.looks[-1]
            wrong += not (last.low_ns or 0) <= truth <= (last.high_ns or 0)
        narrow += np.sort(values[:3_000])[2_984] < truth / 2
    assert narrow >= 3
    assert wrong <= 1


def test_a_look_at_few_groups_is_rough_and_stops_nothing() -> None:
    values = answers(3, 5_000)
    values[2_000:2_040] += 500_000
    values[4_000:4_040] += 500_000
    found = may_stop(values, p=0.99, within=0.5)
    assert [(look.rough, look.precise, look.value_ns is None) for look in found.looks] == [(True, False, False)]
    assert not found.stop
