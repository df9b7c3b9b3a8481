"""Answers while a run goes on: as the evaluation pairs them, a window behind."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from edgereply.analysis.pairing.one_clock import pair
from edgereply.measurement.live_pairs import LivePairs, Settled
from edgereply.sources.base import SourceBatch
from edgereply.storage.stamps import RISE, STIMULUS

WINDOW_NS = 100_000_000
NOTHING = np.empty(0, np.int64)


def batch(kind: NDArray[np.uint8], at_ns: NDArray[np.int64], done: bool = False) -> SourceBatch:
    return SourceBatch(kind=kind, at_ns=at_ns, lost=0, done=done)


def a_queueing_board(stimuli: int, seed: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Stimuli 1 ms apart in the mean, answers in order after 0.05 ms, held up for 7 ms now and then; 1 % are missed."""
    rng = np.random.default_rng(seed)
    stimulus = np.cumsum(100_000 + rng.exponential(900_000, stimuli).astype(np.int64))
    held = stimulus + np.where(rng.random(stimuli) < 0.01, 7_000_000, 50_000)
    rise = np.maximum.accumulate(held + 30_000 * np.arange(stimuli)) - 30_000 * np.arange(stimuli)
    rise = np.maximum.accumulate(rise) + np.arange(stimuli)
    return stimulus, rise[rng.random(stimuli) > 0.01]


def told(stimulus: NDArray[np.int64], rise: NDArray[np.int64], poll_ns: int) -> list[Settled]:
    """What is settled from poll to poll."""
    times = np.concatenate((stimulus, rise))
    kind = np.repeat(np.array([STIMULUS, RISE], np.uint8), (stimulus.size, rise.size))
    order = np.argsort(times, kind="stable")
    times, kind = times[order], kind[order]
    running, found = LivePairs(WINDOW_NS), []
    ends = np.searchsorted(times, np.arange(poll_ns, int(times[-1]) + poll_ns, poll_ns), side="right")
    for start, end in zip((0, *ends[:-1].tolist()), ends.tolist(), strict=True):
        found.append(running.add(batch(kind[start:end], times[start:end])))
    return [*found, running.add(batch(kind[:0], times[:0], done=True))]


@pytest.mark.parametrize("poll_ns", [200_000_000, 3_000_000_000])
def test_late_answers_are_seen_behind_stimuli_that_are_not_theirs(poll_ns: int) -> None:
    stimulus, rise = a_queueing_board(8_000, seed=1)
    found = told(stimulus, rise, poll_ns)
    reaction = np.concatenate([part.reaction_ns for part in found])
    whole = pair(stimulus, rise, NOTHING, WINDOW_NS)
    late = int(np.count_nonzero(whole.reaction_ns > 2_000_000))
    assert late > 300
    assert np.count_nonzero(reaction > 2_000_000) == pytest.approx(late, rel=0.02)
    assert reaction.max() == whole.reaction_ns.max()
    assert reaction.size == pytest.approx(whole.paired, rel=0.02)
    assert sum(part.missed for part in found) == pytest.approx(whole.missed, rel=0.2)


def test_nothing_is_told_before_its_window_is_over() -> None:
    stimulus = np.cumsum(np.random.default_rng(3).integers(500_000, 1_500_000, 5_000))
    running = LivePairs(WINDOW_NS)
    first = running.add(batch(np.full(5_000, STIMULUS, np.uint8), stimulus))
    settled = int(np.count_nonzero(stimulus <= stimulus[-1] - WINDOW_NS))
    assert (first.reaction_ns.size, first.missed) == (0, settled)
    assert 4_800 < settled < 5_000
    rises = stimulus[settled:] + 40_000
    again = running.add(batch(np.full(rises.size, RISE, np.uint8), rises, done=True))
    assert again.reaction_ns.tolist() == [40_000] * rises.size
    assert again.missed == 0


def test_no_batch_tells_nothing() -> None:
    running = LivePairs(WINDOW_NS)
    assert running.add(None).missed == 0
    assert running.add(batch(np.empty(0, np.uint8), NOTHING, done=True)).reaction_ns.size == 0
    one = batch(np.array([STIMULUS], np.uint8), np.array([5]), done=True)
    assert running.add(one).missed == 1
