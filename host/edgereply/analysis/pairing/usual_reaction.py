"""Where a board's answers usually lie, found before any answer is given to a stimulus.

The differences of every response to all the stimuli before it (the cross-correlogram of the two
edge trains) pile up at the true reaction time and are spread thinly elsewhere, however late the
answers are and whichever are missing. Periodic arrivals pile them up once per period: then the
differences alone do not tell which stimulus a response belongs to, and `several` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Places

SAMPLED_RESPONSES = 4096
FEWEST_SAMPLED = 1024
SAMPLED_DEPTH = 64
# Enough to know a peak by: a deep window takes fewer responses.
ENOUGH_DIFFERENCES = 1 << 16
FEW = 64
# A chance run of usual answers, at a wrong lag, is accepted once in a million.
CHANCE_RUN = 1e-6
LONGEST_RUN = 20
SMALLEST_SHARE = 0.1
RIVAL_SHARE = 0.6
TAIL_SHARE = 2e-4


@dataclass(frozen=True, slots=True)
class Usual:
    """The window of reaction times that tells true pairs from chance ones best.

    Attributes:
        low_ns, high_ns: bounds of the window, both included.
        share: fraction of the responses that lie in it beyond chance.
        chance: probability that a stimulus has an unrelated response in it.
        run: consecutive hits that chance gives less than once in a million.
        several: another window, a different reaction time, explains the edges about as well.
    """

    low_ns: int
    high_ns: int
    share: float
    chance: float
    run: int
    several: bool


def differences(stimulus_ns: Int64s, rise_ns: Int64s, window_ns: int) -> tuple[Int64s, int]:
    """Sorted response minus earlier stimulus, up to the window, for a sample of responses."""
    span_ns = int(stimulus_ns[-1] - stimulus_ns[0])
    depth = min(SAMPLED_DEPTH, 1 + stimulus_ns.size * window_ns // max(1, span_ns))
    responses = min(SAMPLED_RESPONSES, max(FEWEST_SAMPLED, ENOUGH_DIFFERENCES // depth))
    sample = at = rise_ns[:: max(1, rise_ns.size // responses)]
    before = np.searchsorted(stimulus_ns, sample, side="right") - 1
    found = [np.empty(0, np.int64)]
    # One stimulus further back each time; a response that ran out of stimuli or of the window has no more.
    for _ in range(SAMPLED_DEPTH):
        gap = at - stimulus_ns[np.maximum(before, 0)]
        near = (before >= 0) & (gap <= window_ns)
        at, before = at[near], before[near] - 1
        found.append(gap[near])
    whole = np.concatenate(found)
    short = np.int32 if window_ns < 2**31 else np.int64
    return np.sort(whole.astype(short)).astype(np.int64), int(sample.size)


def _information(share: float, chance: float) -> float:
    """Mean log-likelihood ratio, in nats a response, of "in the window" against chance."""
    share = min(share, 1.0 - 1e-6)
    if share <= chance:
        return 0.0
    return float(share * np.log(share / chance) + (1 - share) * np.log((1 - share) / (1 - chance)))


def _inside(gap: Int64s, width: int, start: Places) -> Places:
    """How many differences lie in the window that begins with each of those numbered in `start`."""
    return np.searchsorted(gap, gap[start] + width, side="right") - start


def _starts(gap: Int64s, width: int, count: int) -> Places:
    """Numbers of the differences that begin a window with at least `count` in it."""
    return np.flatnonzero(gap[count - 1 :] - gap[: gap.size - count + 1] <= width)


def most_within(gap: Int64s, width: int, least: int = 1) -> int:
    """The most differences that any window holds, both bounds included.

    Args:
        gap: shape (n,), int64 ns, sorted, not empty.
        width: of the window, ns.
        least: known to be reached, 1 to n.
    """
    # A few windows tell which of the others could hold more: most then need no search.
    least = max(least, int(_inside(gap, width, np.arange(0, gap.size, FEW)).max()))
    better = _starts(gap, width, least + 1)
    return int(_inside(gap, width, better).max()) if better.size else least


def usual_reactions(stimulus_ns: Int64s, rise_ns: Int64s, window_ns: int) -> Usual | None:
    """Find the reaction times that tell true pairs from chance ones.

    Args:
        stimulus_ns: stimulus edges, int64 ns, sorted.
        rise_ns: response rises, int64 ns, sorted.
        window_ns: an answer comes at most this long after its stimulus.

    Returns:
        The range, or None when no window stands out from chance (answers spread over the arrival
        interval, or a board that is always behind).
    """
    if stimulus_ns.size < 2 or rise_ns.size < 2:
        return None
    gap, sampled = differences(stimulus_ns, rise_ns, window_ns)
    span_ns = int(stimulus_ns[-1] - stimulus_ns[0])
    if gap.size == 0 or span_ns <= 0:
        return None
    rate = max(stimulus_ns.size - 1, rise_ns.size) / span_ns
    best: tuple[float, int, float, float] = (0.0, 0, 0.0, 0.0)
    width = max(1, int(1 / rate) >> 14)
    most = 1
    while width * rate < 1.0 and width <= window_ns:
        most = most_within(gap, width, most)
        chance = -float(np.expm1(-rate * width))
        share = min(1.0, most / sampled - rate * width)
        information = _information(share, chance)
        if information > best[0]:
            best = (information, width, share, chance)
        width *= 2
    information, width, share, chance = best
    if share < SMALLEST_SHARE:
        return None
    run = max(2, int(np.ceil(np.log(CHANCE_RUN) / np.log(chance))))
    if run > LONGEST_RUN:
        return None
    return _place(gap, sampled, (width, share, chance, rate), run, window_ns)


def _place(gap: Int64s, sampled: int, found: tuple[int, float, float, float], run: int, window_ns: int) -> Usual:
    """Put the window on its earliest peak, look for rivals, and widen it over the peak's tails."""
    width, share, chance, background = found
    peaks = _starts(gap, width, math.ceil(max(1.0, (RIVAL_SHARE * share + background * width) * sampled)))
    first = int(gap[peaks[0]])
    near = peaks[gap[peaks] <= first + width]
    low = int(gap[near[int(np.argmax(_inside(gap, width, near)))]])
    several = bool(np.any(np.abs(gap[peaks] - low) > width + width // 2))
    high = min(low + width, window_ns)
    step = max(1, width // 8)
    enough = max(1.0, (2 * background * step + TAIL_SHARE) * sampled)
    # At most one width either way: a tail longer than that says less than chance does.
    for _ in range(8):
        if np.count_nonzero((gap >= low - step) & (gap < low)) < enough:
            break
        low = max(0, low - step)
    for _ in range(8):
        if np.count_nonzero((gap > high) & (gap <= high + step)) < enough:
            break
        high = min(window_ns, high + step)
    # The sample has not seen the rarest usual answers.
    low, high = max(0, low - width // 16), min(window_ns, high + width // 16)
    chance = -float(np.expm1(-background * (high - low)))
    return Usual(low, high, share, min(max(chance, 1e-9), 0.9), run, several)
