"""Rounds of one condition put together, one after the other."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.evaluation.evaluate import Evaluation
from edgereply.evaluation.gaps import together


def pool(results: Sequence[Evaluation]) -> Evaluation:
    """Put rounds of one condition together, as if each began a mean interval after the one before ended.

    Args:
        results: evaluated runs in order of time, at least one.

    Returns:
        All stimuli; segments that every run has; counts added up; notes once. The board's clock is left out: the
        rounds have no common one.
    """
    status = np.concatenate([result.status for result in results])
    return replace(
        results[0],
        status=status,
        reaction_ns=np.concatenate([result.reaction_ns for result in results]),
        pulse_width_ns=np.concatenate([result.pulse_width_ns for result in results]),
        stimulus_ns=end_to_end([result.stimulus_ns for result in results]),
        segments={
            name: np.concatenate([result.segments[name] for result in results])
            for name in results[0].segments
            if all(name in result.segments for result in results)
        },
        counts={name: sum(r.counts.get(name, 0) for r in results) for name in results[0].counts},
        notes=list(dict.fromkeys(note for result in results for note in result.notes)),
        edge_ns=np.full(len(status), NO_STAMP, np.int64),
        gaps=together([result.gaps for result in results]),
    )


def end_to_end(times: Sequence[Int64s]) -> Int64s:
    """Times of several runs on one scale, each run a mean interval after the one before.

    Args:
        times: each shape (n,), int64, nanoseconds, rising; NO_STAMP stays.

    Returns:
        Shape (sum of n,), the first stamp at 0.
    """
    start, found = 0, []
    for stamps in times:
        there = stamps != NO_STAMP
        moved = stamps.copy()
        if there.any():
            known = stamps[there]
            moved[there] = known - known[0] + start
            start += int(known[-1] - known[0]) + max(1, int(known[-1] - known[0]) // max(1, known.size - 1))
        found.append(moved)
    return np.concatenate(found)
