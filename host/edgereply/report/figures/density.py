"""Arrays reduced to what a screen can show; nothing here draws.

A million pulses become a few thousand cells. What must not be averaged away, late and missed ones, is kept pulse
by pulse.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.chunks import chunks
from edgereply.analysis.arrays.histogram import log_edges, nice_width
from edgereply.analysis.arrays.ordered import ordered
from edgereply.analysis.arrays.presence import NO_STAMP, present

_LOG_FROM_RATIO: Final = 20
# More marks than these hide each other and make a page slow.
MOST_MARKS: Final = 1500
# About how many bins a distribution is drawn in.
DRAWN_BINS: Final = 90
# Stimuli worked on at once: what a step leaves behind is still in the processor's cache for the next.


@dataclass(frozen=True, slots=True)
class Exceedance:
    """How many stimuli had no answer yet.

    Attributes:
        at_ns: shape (k,), int64, rising, each a measured reaction time.
        unanswered: shape (k,), int64, stimuli not answered within at_ns, missed ones included.
        stimuli: number of stimuli.
    """

    at_ns: Int64s
    unanswered: Int64s
    stimuli: int


@dataclass(frozen=True, slots=True)
class Cells:
    """Counts on a grid.

    Attributes:
        x_edges_ns: shape (nx + 1,), int64.
        y_edges_ns: shape (ny + 1,), int64.
        counts: shape (ny, nx), int64.
        log: True where y is spaced by equal ratios.
    """

    x_edges_ns: Int64s
    y_edges_ns: Int64s
    counts: Int64s
    log: bool


def shared_edges(samples: list[Int64s], bins: int) -> tuple[Int64s, bool]:
    """Bin edges that hold several samples, so that they can be compared.

    Args:
        samples: each shape (n,), int64, nanoseconds.
        bins: about how many.

    Returns:
        Rising edges, shape (k + 1,), shape (0,) where all samples are empty; and whether they
        are spaced by equal ratios.
    """
    filled = [values for values in samples if values.size]
    if not filled:
        return np.empty(0, dtype=np.int64), False
    low, high = min(int(v.min()) for v in filled), max(int(v.max()) for v in filled)
    if low > 0 and high >= _LOG_FROM_RATIO * low:
        return log_edges(low, high, bins), True
    width = nice_width(high - low + 1, bins)
    return width * np.arange(low // width, high // width + 2, dtype=np.int64), False


def counts_between(values_ns: Int64s, edges_ns: Int64s) -> Int64s:
    """Values in each bin [edge, next edge); those outside are not counted.

    Args:
        values_ns: shape (n,), int64.
        edges_ns: shape (k + 1,), int64, rising.

    Returns:
        Shape (k,), int64.
    """
    return np.diff(ordered(values_ns).below(edges_ns))


def exceedance(reaction_ns: Int64s, stimuli: int, points: int = 320) -> Exceedance:
    """Stimuli not answered within a time, all of the slowest hundred and fewer of the rest.

    Args:
        reaction_ns: shape (n,), int64; NO_STAMP where a stimulus was missed.
        stimuli: number of stimuli, at least n.
        points: about how many.

    Returns:
        The curve; empty where nothing was answered.
    """
    answers = ordered(reaction_ns, reaction_ns != NO_STAMP)
    answered = answers.size
    if answered == 0:
        return Exceedance(np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), stimuli)
    spread = np.rint(np.geomspace(1, answered, points)).astype(np.int64)
    from_end = np.union1d(spread, np.arange(1, min(answered, 100) + 1))
    at_ns = np.unique(answers.at(answered - from_end))
    return Exceedance(at_ns, stimuli - answers.below(at_ns + 1), stimuli)


def over_time(since_ns: Int64s, reaction_ns: Int64s, columns: int, rows: int) -> Cells | None:
    """Reaction times against the time of the stimulus.

    Args:
        since_ns: shape (n,), int64, rising from 0, time of the stimulus.
        reaction_ns: shape (n,), int64; NO_STAMP where missed.
        columns: about how many cells along time.
        rows: about how many cells along the reaction time.

    Returns:
        Counts, time from the first stimulus; None where nothing was answered.
    """
    values = present(reaction_ns)
    y_edges, log = shared_edges([values], rows)
    if not values.size:
        return None
    width = max(1, -(-(int(since_ns[-1]) + 1) // columns))
    x_edges = width * np.arange(int(since_ns[-1]) // width + 2, dtype=np.int64)
    counts = _counts(lambda part: since_ns[part] // width, x_edges.size - 1, reaction_ns, y_edges)
    return Cells(x_edges, y_edges, counts, log)


def over_phase(at_ns: Int64s, reaction_ns: Int64s, period_ns: float, columns: int, rows: int) -> Cells | None:
    """Reaction times against the phase of the stimulus within a period.

    Args:
        at_ns: shape (n,), int64, time of the stimulus from phase 0, not negative.
        reaction_ns: shape (n,), int64; NO_STAMP where missed.
        period_ns: the cycle, longer than `columns` nanoseconds.
        columns: number of cells along the phase.
        rows: about how many along the reaction time.

    Returns:
        Counts, the phase as time within the cycle; None where nothing was answered.
    """
    values = present(reaction_ns)
    if not values.size:
        return None
    y_edges, log = shared_edges([values], rows)

    def column(part: slice) -> Int64s:
        phase = np.mod(at_ns[part], period_ns) * (columns / period_ns)
        return np.minimum(phase.astype(np.int64), columns - 1)

    x_edges = np.rint(np.linspace(0.0, period_ns, columns + 1)).astype(np.int64)
    return Cells(x_edges, y_edges, _counts(column, columns, reaction_ns, y_edges), log)


def slowest_over_time(since_ns: Int64s, reaction_ns: Int64s, parts: int) -> tuple[Int64s, Int64s]:
    """The slowest answer of each part of the run.

    Args:
        since_ns: shape (n,), int64, rising from 0, time of the stimulus.
        reaction_ns: shape (n,), int64; NO_STAMP where missed.
        parts: about how many equal parts of the run's duration.

    Returns:
        Start of each part that has an answer, from the first stimulus, and the slowest there.
    """
    if not since_ns.size:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    width = max(1, -(-(int(since_ns[-1]) + 1) // parts))
    starts = width * np.arange(int(since_ns[-1]) // width + 1, dtype=np.int64)
    cuts = np.searchsorted(since_ns, np.append(starts, since_ns[-1] + 1))
    filled = np.flatnonzero(np.diff(cuts))
    # What stands for a missing answer is less than any.
    slowest = np.maximum.reduceat(reaction_ns, cuts[filled])
    there = slowest != NO_STAMP
    return starts[filled][there], slowest[there]


def _counts(
    column: Callable[[slice], Int64s],
    columns: int,
    reaction_ns: Int64s,
    y_edges_ns: Int64s,
) -> Int64s:
    """Answers in each cell, shape (rows, columns); `column` gives those of a stretch of stimuli."""
    rows = y_edges_ns.size - 1
    counts = np.zeros(rows * columns, np.int64)
    for part in chunks(reaction_ns.size):
        there = reaction_ns[part] != NO_STAMP
        y = np.searchsorted(y_edges_ns, reaction_ns[part], side="right") - 1
        counts += np.bincount((y * columns + column(part))[there], minlength=rows * columns)
    return counts.reshape(rows, columns)
