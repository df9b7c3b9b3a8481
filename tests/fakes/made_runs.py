"""Stamps of runs made from a known truth."""

import numpy as np
from numpy.typing import NDArray

from edgereply.evaluation.evaluate import Evaluation, evaluate
from edgereply.storage.run_record import RunRecord
from edgereply.storage.stamps import BoardStamps, SourceStamps
from tests.fakes.records import WINDOW_NS, run_record

TICK_NS = 1_024_000


def random_stimuli(count: int, seed: int, mean_ns: int = 3_000_000, floor_ns: int = 500_000) -> NDArray[np.int64]:
    """Times of stimuli: a floor and an exponential rest."""
    gaps = floor_ns + np.random.default_rng(seed).exponential(mean_ns - floor_ns, count)
    return np.cumsum(gaps).astype(np.int64)


def ticking_board(count: int, seed: int, delay_ns: int = 6_500) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """A bare board whose millisecond interrupt (16384 cycles at 16 MHz) holds off 0.6 % of the answers.

    Returns:
        Stimuli and their reaction times.
    """
    stimulus = random_stimuli(count, seed)
    reaction = 6_700 + np.random.default_rng(seed + 1).integers(0, 500, count)
    phase = (stimulus + 123_456) % TICK_NS
    return stimulus, reaction + np.where(phase < 0.006 * TICK_NS, delay_ns, 0)


def from_reactions(stimulus: NDArray[np.int64], reaction: NDArray[np.int64], deadline_ns: int | None) -> Evaluation:
    """A loop-back run with these reaction times, evaluated."""
    rise = stimulus + reaction
    nothing = np.empty(0, np.int64)
    board = BoardStamps(nothing, nothing, nothing, nothing, nothing.astype(np.uint32), nothing.astype(np.uint32))
    return evaluate(SourceStamps(stimulus, rise, rise + 4_200), board, WINDOW_NS, deadline_ns)


def a_record() -> RunRecord:
    """The record of a run that has just begun."""
    return run_record()
