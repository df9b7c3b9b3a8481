"""What a recording of limited length can say, against runs of which all is known."""

from __future__ import annotations

import numpy as np
import pytest

from edgereply.analysis.pairing.observed import affordable_window_ns, observed
from edgereply.analysis.pairing.one_clock import pair

NONE = np.empty(0, np.int64)


def test_the_window_leaves_nearly_all_stimuli() -> None:
    watched = np.arange(1, 1001, dtype=np.int64)[::-1] * 1000
    window = affordable_window_ns(watched, 10**9)
    assert np.count_nonzero(watched >= window) == pytest.approx(980, abs=1)
    assert affordable_window_ns(watched, 500) == 500
    assert affordable_window_ns(NONE, 500) == 500
    assert affordable_window_ns(np.array([7_000], np.int64), 10**9) == 7_000


def test_what_lies_beyond_the_ends_is_left_out() -> None:
    """A late answer near the end must not count as missed, an answer from before not as spurious."""
    stimulus = np.array([10_000, 20_000, 30_000, 98_000], np.int64)
    rise = np.array([1_000, 10_700, 20_700, 30_700, 98_800], np.int64)
    starts, ends = np.array([0], np.int64), np.array([99_000], np.int64)
    found = observed(pair(stimulus, rise, NONE, 5_000), rise, starts, ends, 5_000)
    assert found.stimulus.tolist() == [True, True, True, False]
    assert found.rise.tolist() == [False, True, True, True, False]
    assert (found.late_stimuli, found.early_rises, found.late_rises) == (1, 1, 1)


def test_a_spurious_pulse_in_the_middle_stays() -> None:
    stimulus = np.arange(10, 20, dtype=np.int64) * 10_000
    rise = np.sort(np.append(stimulus + 700, 155_000))
    found = observed(
        pair(stimulus, rise, NONE, 5_000), rise, np.array([0], np.int64), np.array([300_000], np.int64), 5_000
    )
    assert found.stimulus.all()
    assert found.rise.all()


def test_leaving_out_is_fair_to_slow_answers() -> None:
    """Simulated: with a whole window for all, the share of slow answers is the true one, though many lie at the end."""
    generator = np.random.default_rng(1)
    slow = seen = kept = 0
    for _ in range(400):
        stimulus = np.array([generator.integers(1_000, 9_900)], np.int64)
        reaction = 3_000 if generator.random() < 0.3 else 100
        rise = stimulus + reaction
        rise = rise[rise < 10_000]
        found = observed(
            pair(stimulus, rise, NONE, 4_000), rise, np.array([0], np.int64), np.array([10_000], np.int64), 4_000
        )
        seen += 1
        kept += int(found.stimulus[0])
        slow += int(found.stimulus[0] and reaction == 3_000)
    assert 0.4 < kept / seen < 0.7
    assert slow / kept == pytest.approx(0.3, abs=0.08)
