import numpy as np

from edgereply.analysis.pairing.pairing import NO_STAMP, Status, pair
from edgereply.analysis.pairing.settling import settle

MS = 1_000_000


def stalled_burst(lost: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """40 plain answers, then four stimuli answered in one burst after a stall, of which one lost its answer."""
    stimulus = np.array(
        [n * 5 * MS + (n * 7919) % 1000 * 1000 for n in range(40)] + [300 * MS + n * MS // 2 for n in range(4)]
    )
    inside = np.array([100_000 + (n % 7) * 1000 for n in range(40)] + [3 * MS - n * 400_000 for n in range(4)])
    rise = stimulus + inside + 2_000
    keep = np.arange(44) != 40 + lost
    return stimulus, inside, rise[keep]


def test_the_board_tells_which_stimulus_of_a_burst_lost_its_answer() -> None:
    for lost in range(4):
        stimulus, inside, rise = stalled_burst(lost)
        alone = pair(stimulus, rise, rise + 10_000, 100 * MS)
        assert alone.ambiguous == 4
        told = settle(alone, np.where(np.arange(44) == 40 + lost, NO_STAMP, inside))
        others = [n for n in range(40, 44) if n != 40 + lost]
        assert np.all(told.status[others] == Status.PAIRED)
        assert told.status[40 + lost] == Status.AMBIGUOUS
        assert np.array_equal(told.rise_ns[others], (stimulus + inside + 2_000)[others])
        assert np.array_equal(told.fall_ns[others], told.rise_ns[others] + 10_000)
        assert len(told.ambiguous_rise_ns) == len(told.ambiguous_fall_ns) == 0


def test_a_rise_that_two_stimuli_could_claim_is_left_open() -> None:
    stimulus, inside, rise = stalled_burst(0)
    inside[41:] = inside[41] - (stimulus[41:] - stimulus[41])
    alone = pair(stimulus, rise, rise + 10_000, 100 * MS)
    told = settle(alone, np.where(np.arange(44) == 40, NO_STAMP, inside))
    assert told.ambiguous == alone.ambiguous


def test_without_ground_nothing_is_settled() -> None:
    stimulus, inside, rise = stalled_burst(1)
    alone = pair(stimulus, rise, rise + 10_000, 100 * MS)
    assert settle(alone, np.full(44, NO_STAMP)) is alone
    few = np.where(np.arange(44) < 30, NO_STAMP, inside)
    assert settle(alone, few) is alone
