"""Stimuli in step with a rhythm of the board: what is said of it, and what it does to a verdict."""

from collections.abc import Iterable
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.stimulus_lock import Lock, find_locks, unseen_by
from edgereply.storage.stamps import SourceStamps
from edgereply.wording.numbers import duration

# Of a run evaluated by pieces so many stimuli are looked at: a lock shows in the first thirty.
_MOST: Final = 1_000_000


def lock_sentence(lock: Lock) -> str:
    """What the stimuli keep step with, and what to do.

    It goes by what the stimuli did, whatever was asked for: with a floor near the mean interval, random arrivals are
    nearly periodic, and to ask for random arrivals would be to ask for what is there.
    """
    cycle = duration(lock.period_ns)
    if lock.suspect is None:
        return (
            "The stimuli come at nearly equal intervals: a rhythm of the board cannot be told from its aliases. Let "
            f"the intervals vary by as much as they last, {cycle}."
        )
    return (
        f"The stimuli keep step with the {lock.suspect} and see {100.0 * lock.covered:.0f} % of its cycle. Let the "
        f"intervals between them vary by at least one cycle of it, {cycle}."
    )


def limiting_lock(stimulus_ns: Int64s) -> Lock | None:
    """The rhythm most of whose cycle had no stimulus; None where no known one has a quarter of its cycle unseen.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, in order of time; rows without a stamp do not count.
    """
    return unseen_by(find_locks(stimulus_ns[stimulus_ns != NO_STAMP], hiding=True))


def first_stimuli(parts: Iterable[SourceStamps]) -> Int64s:
    """The stimuli with which a long run begins, in order of time."""
    found: list[Int64s] = []
    for part in parts:
        found.append(part.edges()[0])
        if sum(len(times) for times in found) >= _MOST:
            break
    return np.sort(np.concatenate(found)) if found else np.empty(0, np.int64)
