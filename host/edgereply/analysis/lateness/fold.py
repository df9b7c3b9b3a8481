"""A run folded at one period: where in the cycle answers are late, and how much of it is affected."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.arrays.chunks import chunks
from edgereply.analysis.arrays.compiled import special

_FINE = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Counts by phase, to draw.

    Attributes:
        period_ns: cycle length.
        stimuli: shape (bins,), int64, stimuli whose phase falls into each bin: the exposure.
        late: shape (bins,), int64, of these, answered late.
    """

    period_ns: float
    stimuli: Int64s
    late: Int64s


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """The part of the cycle in which answers are late.

    Attributes:
        start_ns: where it starts, from the run's first stimulus, below the period.
        width_ns: how long it lasts.
        duty: width over period.
        stimuli: stimuli that fell into it.
        late: of these, answered late.
        outside_late: late answers to stimuli outside it.
        depth: share of late answers inside minus that outside.
        likelihood: logarithm of how much better it explains which answers were late than no window does.
    """

    start_ns: float
    width_ns: float
    duty: float
    stimuli: int
    late: int
    outside_late: int
    depth: float
    likelihood: float


def phases(seconds: Floats, period_s: float) -> Floats:
    """Phase of each time, 0 to 1.

    Args:
        seconds: shape (n,), not negative.
        period_s: cycle length.

    Returns:
        Shape (n,), at least 0 and below 1.
    """
    return np.modf(seconds / period_s)[0]


def fold(seconds: Floats, late: Bools, period_s: float, bins: int = 100) -> Fold:
    """Count stimuli and late answers by phase.

    Args:
        seconds: shape (n,), times of the stimuli.
        late: shape (n,), bool.
        period_s: cycle length.
        bins: number of bins.

    Returns:
        See `Fold`.
    """
    stimuli, slow = np.zeros(bins, np.int64), np.zeros(bins, np.int64)
    for part in chunks(seconds.size):
        places = np.minimum((phases(seconds[part], period_s) * bins).astype(np.int64), bins - 1)
        stimuli += np.bincount(places, minlength=bins)
        slow += np.bincount(places[late[part]], minlength=bins)
    return Fold(period_ns=1e9 * period_s, stimuli=stimuli, late=slow)


def find_window(seconds: Floats, late: Bools, period_s: float) -> Window:
    """The arc of the cycle that best explains which answers were late, by likelihood.

    Args:
        seconds: shape (n,), times of the stimuli.
        late: shape (n,), bool, some late.
        period_s: cycle length.

    Returns:
        See `Window`.

    Source: Kulldorff, M. (1997), Communications in Statistics 26, 1481-1496 (scan statistic, binomial).
    """
    fine = fold(seconds, late, period_s, _FINE)
    exposed = np.concatenate([[0], np.cumsum(np.tile(fine.stimuli, 2))])
    hits = np.concatenate([[0], np.cumsum(np.tile(fine.late, 2))])
    n, k = int(exposed[_FINE]), int(hits[_FINE])
    best, where = -math.inf, (0, _FINE)
    for size in np.unique(np.rint(np.geomspace(1, _FINE * 0.75, 80)).astype(np.int64)).tolist():
        inside_n = exposed[size : size + _FINE] - exposed[:_FINE]
        inside_k = hits[size : size + _FINE] - hits[:_FINE]
        gain = _likelihood(inside_k, inside_n) + _likelihood(k - inside_k, n - inside_n)
        gain = np.where(inside_k * (n - inside_n) > (k - inside_k) * inside_n, gain, -math.inf)
        place = int(np.argmax(gain))
        if gain[place] > best:
            best, where = float(gain[place]), (place, size)
    start, width = float(where[0]) / _FINE, float(where[1]) / _FINE
    # The outermost late answers of the arc are known better than its cells.
    offset = np.mod(phases(seconds[late], period_s) - start, 1.0)
    within = np.sort(offset[offset < width])
    if within.size >= 2:
        # Evenly spread answers leave out 1 / (k + 1) of the window on each side.
        edge = float(within[-1] - within[0]) / (within.size - 1)
        start, width = start + float(within[0]) - edge, float(within[-1] - within[0]) + 2.0 * edge
    width = min(width, 1.0)
    stimuli = caught = 0
    for part in chunks(seconds.size):
        inside = np.mod(phases(seconds[part], period_s) - start, 1.0) <= width
        stimuli, caught = stimuli + int(inside.sum()), caught + int(np.count_nonzero(inside & late[part]))
    outside = caught_share(k - caught, n - stimuli)
    return Window(
        start_ns=1e9 * period_s * (start % 1.0),
        width_ns=1e9 * period_s * width,
        duty=width,
        stimuli=stimuli,
        late=caught,
        outside_late=k - caught,
        depth=caught_share(caught, stimuli) - outside,
        likelihood=best - float(_likelihood(np.array([k]), np.array([n]))[0]),
    )


def caught_share(late: int, stimuli: int) -> float:
    """late / stimuli, 0 where there were none."""
    return late / stimuli if stimuli else 0.0


def inside_window(seconds: Floats, period_s: float, window: Window, margin: float) -> Bools:
    """Which stimuli fall into a window widened by a fraction of its width on both sides.

    Args:
        seconds: shape (n,).
        period_s: cycle length.
        window: the window.
        margin: fraction of the width added on each side.

    Returns:
        Shape (n,), bool.
    """
    start = window.start_ns / (1e9 * period_s) - margin * window.duty
    inside = np.empty(seconds.size, np.bool_)
    for part in chunks(seconds.size):
        offset = np.mod(phases(seconds[part], period_s) - start, 1.0)
        inside[part] = offset <= window.duty * (1.0 + 2.0 * margin)
    return inside


def regress_period(seconds: Floats, period_s: float, window: Window) -> tuple[float, float]:
    """Refine a period from late answers counted cycle by cycle.

    Args:
        seconds: shape (k,), times of late stimuli inside the window, at least 3.
        period_s: cycle length so far, good enough to count cycles.
        window: where they lie in it.

    Returns:
        Period and its standard error, seconds.
    """
    centre = (window.start_ns + window.width_ns / 2.0) / 1e9
    cycles = np.rint((seconds - centre) / period_s)
    across = cycles - cycles.mean()
    spread = float(np.dot(across, across))
    if spread == 0.0:
        return period_s, math.inf
    residual = (seconds - seconds.mean()) - across * period_s
    correction = float(np.dot(across, residual)) / spread
    left = residual - across * correction
    error = math.sqrt(float(np.dot(left, left)) / max(seconds.size - 2, 1) / spread)
    return period_s + correction, error


def _likelihood(k: Int64s, n: Int64s) -> Floats:
    """Largest binomial log-likelihood of k late among n, without the constant."""
    result: Floats = special.xlogy(k, k) + special.xlogy(n - k, n - k) - special.xlogy(n, n)
    return result
