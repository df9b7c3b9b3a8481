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


@pytest.mark.parametrize("spread", [0.0, 1e-4, 0.3, 0.6, 1.0, 3.0])
@pytest.mark.parametrize("count", [500, 200_000])
def test_what_is_given_up_early_would_not_have_been_told(spread: float, count: int) -> None:
    rng = np.random.default_rng(count)
    stimulus = np.arange(count) * 4_000_000 + rng.integers(0, 1 + int(spread * 1_000_000), count)
    assert unseen_by(find_locks(stimulus, hiding=True)) == unseen_by(find_locks(stimulus))
    for period in (1e6, 4e6, 4.1e6, 1e7):
        whole, early = resultant(stimulus, period), resultant(stimulus, period, 0.5)
        assert early == (whole if whole[0] >= 0.5 or early[0] else (0.0, 0.0))
    if spread == 1e-4:
        assert unseen_by(find_locks(stimulus, hiding=True)) is not None


def test_a_lock_that_is_nearly_lost_in_the_middle_of_a_run_is_kept() -> None:
    # A third of a run at random, the rest in step: after the first chunk it looks lost.
    rng = np.random.default_rng(5)
    free = np.sort(rng.integers(0, 70_000 * 1_000_000, 70_000))
    stimulus = np.concatenate([free, (np.arange(130_000) + 70_000) * 1_000_000])
    assert resultant(stimulus, 1e6, 0.5) == resultant(stimulus, 1e6)
    assert resultant(stimulus, 1e6, 0.5)[0] > 0.6
