"""Jitter of the responses, from rising edges only, pair by pair.

A long pulse moves its falling edge, not the next rise, so it cannot show as jitter here.
Stimuli need not be periodic: a response's ideal place is its stimulus plus the usual reaction time,
and a period is judged against the period of the two stimuli that caused it.

Source: period jitter, cycle-to-cycle jitter and time interval error as in JEDEC JESD65B.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.chunks import chunks, chunkwise
from edgereply.analysis.arrays.presence import put_together
from edgereply.analysis.statistics.summary import mean_and_std


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseJitter:
    """How far responses stray from the rhythm of their stimuli.

    Attributes:
        periods: pairs of neighbouring stimuli that were both answered.
        period_std_ns: standard deviation of the period error; None below two periods.
        period_peak_to_peak_ns: largest minus smallest period error; None without a period.
        cycle_to_cycle_max_ns: largest change from one period error to the next; None without two
            neighbouring periods.
        tie_std_ns: standard deviation of the time interval error; None below two answers.
        tie_peak_to_peak_ns: largest minus smallest time interval error; None without an answer.
    """

    periods: int
    period_std_ns: float | None
    period_peak_to_peak_ns: int | None
    cycle_to_cycle_max_ns: int | None
    tie_std_ns: float | None
    tie_peak_to_peak_ns: int | None


def period_errors(reaction_ns: Int64s, answered: Bools) -> Int64s:
    """Response periods minus the periods of their stimuli: (rise' - rise) - (stimulus' - stimulus).

    That is the change of the reaction time from one stimulus to the next.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, in order of the stimuli; ignored where not answered.
        answered: shape (n,), bool.

    Returns:
        The errors, int64, in order; pairs across a missed stimulus are left out.
    """
    both = answered[:-1] & answered[1:]
    counts = chunkwise(lambda part: int(np.count_nonzero(both[part])), both.size)

    def changes(part: slice) -> Int64s:
        return np.asarray(np.diff(reaction_ns[part.start : part.stop + 1])[both[part]], np.int64)

    return put_together(changes, counts, both.size)


def response_jitter(reaction_ns: Int64s, answered: Bools | None = None) -> ResponseJitter:
    """Summarise the jitter of one run.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds from stimulus to rise, in order of the stimuli; ignored where not
            answered.
        answered: shape (n,), bool; all, when None.

    Returns:
        See `ResponseJitter`.

    Raises:
        ValueError: the arrays differ in shape.
    """
    if answered is None:
        answered = np.ones(reaction_ns.shape, dtype=np.bool_)
    if reaction_ns.shape != answered.shape:
        raise ValueError(f"one mark a reaction time, got {answered.size} for {reaction_ns.size}")
    # Strays differ from reaction times by a constant, which no measure of spread sees.
    strays = reaction_ns if answered.all() else reaction_ns[answered]
    tie_std_ns, tie_peak_to_peak_ns = mean_and_std(strays)[1], int(np.ptp(strays)) if strays.size else None
    # Columns of a long run are let go as soon as they have been used.
    del strays
    errors = period_errors(reaction_ns, answered)
    return ResponseJitter(
        periods=int(errors.size),
        period_std_ns=mean_and_std(errors)[1],
        period_peak_to_peak_ns=int(np.ptp(errors)) if errors.size else None,
        cycle_to_cycle_max_ns=_largest_change(reaction_ns, answered),
        tie_std_ns=tie_std_ns,
        tie_peak_to_peak_ns=tie_peak_to_peak_ns,
    )


def _largest_change(reaction_ns: Int64s, answered: Bools) -> int | None:
    """Largest difference of neighbouring period errors; in pieces that stay in the processor's cache."""
    largest = None
    for chunk in chunks(max(0, reaction_ns.size - 2)):
        part = slice(chunk.start, chunk.stop + 2)
        there = answered[part]
        changes = np.diff(reaction_ns[part], 2)[there[:-2] & there[1:-1] & there[2:]]
        if changes.size:
            largest = max(largest or 0, int(changes.max()), -int(changes.min()))
    return largest
