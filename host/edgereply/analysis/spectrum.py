"""Rhythm of late answers, with the times of all stimuli taken into account.

An answer can only be late where there was a stimulus. So each stimulus weighs 1 - q when its answer
was late and -q when it was not, q being the share of late answers: a rhythm of the stimuli alone adds up to
nothing. If lateness knows nothing of the time, the power at any one frequency exceeds x with
probability exp(-x).

Sources: Lord Rayleigh's test with exposure as in Leahy, D. A. et al. (1983), Astrophysical Journal
266, 160-170; power between bins as in Ransom, S. M. et al. (2002), Astronomical Journal 124, 1788-1809.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

_MOST_CELLS = 30_000_000
# Bins in which the local level of the power is measured.
_LEVEL_BINS = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """Power of late answers on a grid of frequencies.

    Attributes:
        step_hz: distance of frequencies; bin k is k * step_hz.
        power: shape (bins,), float32, as above, divided by its local level where that is above 1
            (bursts raise broad stretches of the spectrum, which are no rhythm).
        first: first bin of the search: enough cycles in the run.
        shortest_ns: shortest period the grid can tell.
        longest_ns: longest period with enough cycles in the run.
    """

    step_hz: float
    power: NDArray[np.float32]
    first: int
    shortest_ns: int
    longest_ns: int

    @property
    def trials(self) -> float:
        """Independent frequencies looked at, doubled for looking between them."""
        return 2.0 * max(self.power.size - self.first, 1)


def weights(late: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Weight of each stimulus, scaled to unit power: (late - q) / sqrt(n q (1 - q)).

    Args:
        late: shape (n,), bool, neither all nor none.

    Returns:
        Shape (n,).
    """
    share = float(late.mean())
    scale = math.sqrt(late.size * share * (1.0 - share))
    return np.subtract(late, share, dtype=np.float64) / scale


def spectrum(
    seconds: NDArray[np.float64],
    late: NDArray[np.bool_],
    shortest_s: float,
    fewest_cycles: int,
) -> Spectrum:
    """Power on all frequencies from a few cycles a run to one in `shortest_s`.

    Args:
        seconds: shape (n,), times of the stimuli from the start of the run, rising.
        late: shape (n,), bool, neither all nor none.
        shortest_s: shortest period wanted; longer in runs too long for the grid.
        fewest_cycles: cycles a run must hold of a period to be looked for.

    Returns:
        See `Spectrum`.
    """
    length = float(seconds[-1])
    cells = min(_MOST_CELLS, math.ceil(2.0 * length / shortest_s) + 1)
    width = length / (cells - 1)
    places = np.rint(seconds / width).astype(np.int64)
    grid = np.bincount(places, weights=weights(late), minlength=cells).astype(np.float32)
    size = fft.next_fast_len(cells, real=True)
    transformed = fft.rfft(grid, size, overwrite_x=True)
    between = np.abs(transformed[:-1] - transformed[1:])
    between *= between * np.float32(math.pi**2 / 16.0)
    power = np.square(transformed.real) + np.square(transformed.imag)
    power[:-1] = np.maximum(power[:-1], between)
    step = 1.0 / (size * width)
    first = min(max(1, round(fewest_cycles / length / step)), power.size - 1)
    power[:first] = 0.0
    return Spectrum(
        step_hz=step,
        power=power / _level(power, first),
        first=first,
        shortest_ns=round(2e9 * width),
        longest_ns=round(1e9 / (first * step)),
    )


def exact_power(
    seconds: NDArray[np.float64], weight: NDArray[np.float64], frequencies: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Power at chosen frequencies without a grid.

    Args:
        seconds: shape (n,).
        weight: shape (n,), as from `weights`.
        frequencies: shape (k,), hertz.

    Returns:
        Shape (k,).
    """
    result = np.empty(frequencies.size)
    light = weight.astype(np.float32)
    for i, frequency in enumerate(frequencies):
        # The cycle count needs all digits; what is left of it below 1 does not.
        cycles = seconds * frequency
        angle = (cycles - np.floor(cycles)).astype(np.float32) * np.float32(2.0 * math.pi)
        result[i] = float(np.dot(light, np.cos(angle))) ** 2 + float(np.dot(light, np.sin(angle))) ** 2
    return result


def false_alarm(power: float, trials: float) -> float:
    """Chance that the largest of so many independent powers is as large as this.

    Args:
        power: the power.
        trials: number of independent frequencies.

    Returns:
        1 - (1 - exp(-power)) ** trials.
    """
    single = math.exp(-power)
    return 1.0 if single >= 1.0 else -math.expm1(trials * math.log1p(-single))


def _level(power: NDArray[np.float32], first: int) -> NDArray[np.float32]:
    """Local mean of the noise from medians of stretches, at least 1; a rhythm's lines do not move it."""
    searched = power[first:]
    whole = searched.size // _LEVEL_BINS
    level = np.ones_like(power)
    if whole == 0:
        return level
    # The larger of two neighbouring exponentials, half dependent, has its median near 1.1.
    medians = np.median(searched[: whole * _LEVEL_BINS].reshape(whole, _LEVEL_BINS), axis=1) / 1.1
    level[first : first + whole * _LEVEL_BINS] = np.repeat(np.maximum(medians, 1.0), _LEVEL_BINS)
    level[first + whole * _LEVEL_BINS :] = max(float(medians[-1]), 1.0)
    return level
