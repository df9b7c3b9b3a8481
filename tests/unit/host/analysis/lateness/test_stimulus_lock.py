import numpy as np
import pytest

from edgereply.analysis.lateness.stimulus_lock import Lock, find_locks, resultant, unseen_by


def test_resultant_of_the_textbook_bearings() -> None:
    # Zar, Biostatistical Analysis (from memory): r = .8252.
    degrees = np.array([45, 55, 81, 96, 110, 117, 132, 154])
    length, covered = resultant(degrees, 360.0)
    assert length == pytest.approx(0.825218, abs=5e-7)
    # Twentieths of 18 degrees: 45, 55, 81, 96 and 110, 117 and 132, 154.
    assert covered == pytest.approx(len({d // 18 for d in degrees.tolist()}) / 20)


def test_random_arrivals_lock_onto_nothing() -> None:
    rng = np.random.default_rng(1)
    for count in (100, 5000):
        assert find_locks(np.cumsum(300_000 + rng.exponential(700_000, count)).astype(np.int64)) == ()


def test_a_thousand_a_second_locks_onto_every_kernel_tick_that_divides() -> None:
    found = find_locks(np.arange(5000) * 1_000_000)
    assert [lock.suspect for lock in found] == [None, "kernel tick at 1000 Hz"]
    assert found[1].covered == 0.05
    assert unseen_by(found) == found[1]


def test_dithered_stimuli_do_not_lock() -> None:
    rng = np.random.default_rng(2)
    stimulus = np.cumsum(1_000_000 + rng.integers(-500_000, 500_000, 5000))
    assert find_locks(stimulus) == ()


def test_a_slow_beat_still_locks() -> None:
    found = find_locks(np.arange(2000) * 1_000_050)
    assert "kernel tick at 1000 Hz" in [lock.suspect for lock in found]


def test_too_few_stimuli() -> None:
    assert find_locks(np.arange(29) * 1_000_000) == ()
    assert find_locks(np.zeros(50, dtype=np.int64)) == ()


def test_a_rhythm_counts_as_unseen_where_a_quarter_of_its_cycle_had_no_stimulus() -> None:
    def lock(covered: float, suspect: str | None = "tick") -> Lock:
        return Lock(period_ns=1e6, suspect=suspect, resultant=0.9, covered=covered)

    assert unseen_by([lock(0.5), lock(0.25), lock(0.05, None)]) == lock(0.25)
    assert unseen_by([lock(0.8), lock(0.05, None)]) is None
    assert unseen_by([]) is None
