import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.statistics.quantile_intervals import quantile_interval
from edgereply.analysis.statistics.sequential import look_confidence, look_count, may_stop


def answers(seed: int, count: int) -> NDArray[np.int64]:
    return 60_000 + np.random.default_rng(seed).exponential(10_000, count).astype(np.int64)


def test_the_looks_share_out_the_whole_risk() -> None:
    # sum of 1 / (k (k + 1)) telescopes to 1.
    spent = sum(1 - look_confidence(k) for k in range(1, 2000))
    assert spent == pytest.approx(0.05, rel=1e-3)
    assert spent < 0.05


def test_looks_grow_from_the_first_possible() -> None:
    assert look_count(1, 0.999) == 4380
    assert [look_count(k, 0.999) / look_count(k - 1, 0.999) for k in (2, 3, 4)] == pytest.approx([1.5] * 3, rel=1e-3)


def test_it_stops_at_the_first_precise_look_only() -> None:
    found = may_stop(answers(1, 400_000))
    assert found.stop
    assert [look.precise for look in found.looks] == [False] * (len(found.looks) - 1) + [True]
    last = found.looks[-1]
    assert last.value_ns is not None
    assert last.low_ns is not None
    assert last.high_ns is not None
    assert max(last.high_ns - last.value_ns, last.value_ns - last.low_ns) <= 0.05 * last.value_ns


def test_only_planned_looks_are_taken() -> None:
    early, later = may_stop(answers(1, 6569)), may_stop(answers(1, 6570))
    assert [look.count for look in early.looks] == [4380]
    assert early.next_count == 6570
    assert [look.count for look in later.looks] == [4380, 6570]


def test_before_the_first_look() -> None:
    found = may_stop(answers(1, 100))
    assert (found.looks, found.stop, found.next_count) == ((), False, 4380)


def test_the_whole_sequence_holds_the_quantile() -> None:
    truth = 60_000 + 10_000 * np.log(10)
    wrong = 0
    for seed in range(150):
        looks = may_stop(answers(seed, 3000), p=0.9, within=1e-9).looks
        assert len(looks) >= 10
        wrong += any(not look.low_ns <= truth <= look.high_ns for look in looks if look.low_ns and look.high_ns)
    # At most 5 % of sequences with any wrong look: 7.5 of 150; 4 standard deviations above that are 18.
    assert wrong <= 18


def test_looking_as_often_at_95_percent_intervals_would_be_wrong_more_often() -> None:
    truth = 60_000 + 10_000 * np.log(10)
    wrong = 0
    for seed in range(60):
        values = answers(seed, 3000)
        found = [quantile_interval(values[: look_count(k, 0.9)], 0.9) for k in range(1, 11)]
        ends = [f.ends_ns for f in found if f is not None and f.ends_ns is not None]
        wrong += any(not low <= truth <= high for low, high in ends)
    assert wrong > 8


def test_precision_must_be_positive() -> None:
    with pytest.raises(ValueError, match="positive"):
        may_stop(np.arange(10), within=0.0)
