"""Where a board's answers usually lie, found before any answer is given to a stimulus.

The differences of every response to all the stimuli before it (the cross-correlogram of the two
edge trains) pile up at the true reaction time and are spread thinly elsewhere, however late the
answers are and whichever are missing. Periodic arrivals pile them up once per period: then the
differences alone do not tell which stimulus a response belongs to, and `several` says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Int64 = NDArray[np.int64]

SAMPLED_RESPONSES = 4096
SAMPLED_DEPTH = 64
# A chance run of answers in the zone, at a wrong lag, is accepted once in a million.
CHANCE_RUN = 1e-6
LONGEST_RUN = 20
SMALLEST_SHARE = 0.1
RIVAL_SHARE = 0.6
TAIL_SHARE = 2e-4


@dataclass(frozen=True, slots=True)
class Zone:
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


def differences(stimulus_ns: Int64, rise_ns: Int64, window_ns: int) -> tuple[Int64, int]:
    """Sorted response minus earlier stimulus, up to the window, for a sample of responses."""
    sample = rise_ns[:: max(1, rise_ns.size // SAMPLED_RESPONSES)]
    latest = np.searchsorted(stimulus_ns, sample, side="right") - 1
    index = latest[:, None] - np.arange(SAMPLED_DEPTH)
    gap = sample[:, None] - stimulus_ns[np.maximum(index, 0)]
    return np.sort(gap[(index >= 0) & (gap <= window_ns)]), int(sample.size)


def _information(share: float, chance: float) -> float:
    """Mean log-likelihood ratio, in nats a response, of "in the window" against chance."""
    share = min(share, 1.0 - 1e-6)
    if share <= chance:
        return 0.0
    return float(share * np.log(share / chance) + (1 - share) * np.log((1 - share) / (1 - chance)))


def typical_zone(stimulus_ns: Int64, rise_ns: Int64, window_ns: int) -> Zone | None:
    """Find the reaction times that tell true pairs from chance ones.

    Args:
        stimulus_ns: stimulus edges, int64 ns, sorted.
        rise_ns: response rises, int64 ns, sorted.
        window_ns: an answer comes at most this long after its stimulus.

    Returns:
        The zone, or None when no window stands out from chance (answers spread over the arrival
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
    while width * rate < 1.0 and width <= window_ns:
        inside = np.searchsorted(gap, gap + width, side="right") - np.arange(gap.size)
        chance = -float(np.expm1(-rate * width))
        share = min(1.0, float(inside.max()) / sampled - rate * width)
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


def _place(gap: Int64, sampled: int, found: tuple[int, float, float, float], run: int, window_ns: int) -> Zone:
    """Put the window on its earliest peak, look for rivals, and widen it over the peak's tails."""
    width, share, chance, background = found
    inside = np.searchsorted(gap, gap + width, side="right") - np.arange(gap.size)
    peaks = np.flatnonzero(inside >= max(1.0, (RIVAL_SHARE * share + background * width) * sampled))
    first = int(gap[peaks[0]])
    near = peaks[gap[peaks] <= first + width]
    low = int(gap[near[int(np.argmax(inside[near]))]])
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
    return Zone(low, high, share, min(max(chance, 1e-9), 0.9), run, several)
