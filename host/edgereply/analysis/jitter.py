"""Jitter of the responses, from rising edges only, pair by pair.

A long pulse moves its falling edge, not the next rise, so it cannot show as jitter here.
Stimuli need not be periodic: a response's ideal place is its stimulus plus the usual reaction time,
and a period is judged against the period of the two stimuli that caused it.

Source: period jitter, cycle-to-cycle jitter and time interval error as in JEDEC JESD65B.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.summary import mean_and_std

_CHUNK = 1 << 16


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


def time_interval_errors(
    stimulus_ns: NDArray[np.int64], rise_ns: NDArray[np.int64], usual_ns: int
) -> NDArray[np.int64]:
    """Distance of each response from its ideal place.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds.
        rise_ns: shape (n,), int64, nanoseconds, the response to each stimulus.
        usual_ns: reaction time that counts as on time.

    Returns:
        Shape (n,), int64, nanoseconds, positive for late.
    """
    errors: NDArray[np.int64] = rise_ns - stimulus_ns - usual_ns
    return errors


def period_errors(
    stimulus_ns: NDArray[np.int64], rise_ns: NDArray[np.int64], answered: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Response periods minus the periods of their stimuli.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        rise_ns: shape (n,), int64, nanoseconds; ignored where not answered.
        answered: shape (n,), bool.

    Returns:
        The errors, and for each the number of its first stimulus; pairs across a missed stimulus
        are left out.
    """
    # (rise' - rise) - (stimulus' - stimulus) is the change of the reaction time.
    changes = np.diff(rise_ns - stimulus_ns)
    both = answered[:-1] & answered[1:]
    if both.all():
        return changes, np.arange(changes.size)
    return changes[both], np.flatnonzero(both)


def response_jitter(
    stimulus_ns: NDArray[np.int64],
    rise_ns: NDArray[np.int64],
    answered: NDArray[np.bool_] | None = None,
) -> ResponseJitter:
    """Summarise the jitter of one run.

    Args:
        stimulus_ns: shape (n,), int64, nanoseconds, rising.
        rise_ns: shape (n,), int64, nanoseconds; ignored where not answered.
        answered: shape (n,), bool; all, when None.

    Returns:
        See `ResponseJitter`.

    Raises:
        ValueError: the arrays differ in shape.
    """
    if answered is None:
        answered = np.ones(stimulus_ns.shape, dtype=np.bool_)
    if not stimulus_ns.shape == rise_ns.shape == answered.shape:
        raise ValueError(
            f"one response and one mark a stimulus, got {stimulus_ns.size}, {rise_ns.size} and {answered.size}"
        )
    # Strays differ from reaction times by a constant, which no measure of spread sees.
    strays = rise_ns - stimulus_ns
    errors, both = np.diff(strays), answered[:-1] & answered[1:]
    if not answered.all():
        strays = strays[answered]
    tie_std_ns, tie_peak_to_peak_ns = mean_and_std(strays)[1], int(np.ptp(strays)) if strays.size else None
    # Columns of a long run are let go as soon as they have been used.
    del strays
    cycle_to_cycle_max_ns = _largest_change(errors, both)
    errors = errors if both.all() else errors[both]
    return ResponseJitter(
        periods=int(errors.size),
        period_std_ns=mean_and_std(errors)[1],
        period_peak_to_peak_ns=int(np.ptp(errors)) if errors.size else None,
        cycle_to_cycle_max_ns=cycle_to_cycle_max_ns,
        tie_std_ns=tie_std_ns,
        tie_peak_to_peak_ns=tie_peak_to_peak_ns,
    )


def _largest_change(errors: NDArray[np.int64], known: NDArray[np.bool_]) -> int | None:
    """Largest difference of neighbours of which both are known; in pieces that stay in the processor's cache."""
    largest = None
    for start in range(0, errors.size - 1, _CHUNK):
        part = slice(start, start + _CHUNK + 1)
        changes = np.diff(errors[part])[known[part][:-1] & known[part][1:]]
        if changes.size:
            largest = max(largest or 0, int(changes.max()), -int(changes.min()))
    return largest
