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

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s

_MOST_CELLS = 30_000_000
# Bins in which the local level of the power is measured.
_LEVEL_BINS = 64
# Two cycles a run are a fifteen-hundredth of a radian within one of so many stretches, either side of its middle.
STRETCHES = 1 << 13
_CHUNK = 1 << 18


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


def weights(late: Bools) -> Floats:
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
    seconds: Floats,
    late: Bools,
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
    size = fft.next_fast_len(cells, real=True)
    power = _powers(fft.rfft(_on_grid(places, weights(late), cells), size, overwrite_x=True))
    step = 1.0 / (size * width)
    first = min(max(1, round(fewest_cycles / length / step)), power.size - 1)
    power[:first] = 0.0
    _flatten(power[first:])
    return Spectrum(
        step_hz=step,
        power=power,
        first=first,
        shortest_ns=round(2e9 * width),
        longest_ns=round(1e9 / (first * step)),
    )


def exact_power(seconds: Floats, weight: Floats, frequencies: Floats) -> Floats:
    """Power at chosen frequencies without a grid.

    Args:
        seconds: shape (n,).
        weight: shape (n,), as from `weights`.
        frequencies: shape (k,), hertz.

    Returns:
        Shape (k,).
    """
    sums = np.zeros((2, frequencies.size))
    for start in range(0, seconds.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        light = weight[part].astype(np.float32)
        for i, frequency in enumerate(frequencies.tolist()):
            angle = _angles(seconds[part], frequency)
            sums[:, i] += float(np.dot(light, np.cos(angle))), float(np.dot(light, np.sin(angle)))
    return np.asarray(np.square(sums).sum(axis=0), np.float64)


@dataclass(frozen=True, slots=True, eq=False)
class Stretched:
    """All weights turned back by one frequency and added up over short stretches of the run.

    At a frequency that turns by no more than a cycle or two in the whole run against that one, the stimuli of one
    stretch turn alike: all powers near a peak take one pass over the stimuli.

    Attributes:
        frequency: hertz.
        centres: shape (k,), seconds, the middle of each stretch.
        sums: shape (k,), complex.
    """

    frequency: float
    centres: Floats
    sums: NDArray[np.complex128]

    def power(self, frequencies: Floats) -> Floats:
        """Power at frequencies near this one, shape (k,): within a thousandth where at most two cycles a run away."""
        turns = np.exp(-2j * math.pi * np.outer(frequencies - self.frequency, self.centres))
        return np.asarray(np.square(np.abs(turns @ self.sums)), np.float64)


def stretched(seconds: Floats, weight: Floats, frequency: float) -> Stretched:
    """Add up a run stretch by stretch; see `Stretched`.

    Args:
        seconds: shape (n,), rising from 0.
        weight: shape (n,), as from `weights`.
        frequency: hertz.
    """
    width = max(float(seconds[-1]), 1e-9) / STRETCHES
    sums = np.zeros((2, STRETCHES + 1))
    for start in range(0, seconds.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        angle = _angles(seconds[part], frequency)
        place = (seconds[part] / width).astype(np.int64)
        for row, turned in zip(sums, (np.cos(angle), -np.sin(angle)), strict=True):
            found = np.bincount(place - place[0], weights=weight[part] * turned)
            row[place[0] : place[0] + found.size] += found
    centres = np.asarray((np.arange(STRETCHES + 1) + 0.5) * width, np.float64)
    return Stretched(frequency, centres, sums[0] + 1j * sums[1])


def _angles(seconds: Floats, frequency: float) -> NDArray[np.float32]:
    # The cycle count needs all digits; what is left of it below 1 does not.
    cycles = seconds * frequency
    cycles -= np.floor(cycles)
    return cycles.astype(np.float32) * np.float32(2.0 * math.pi)


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


def _on_grid(places: Int64s, weight: Floats, cells: int) -> NDArray[np.float32]:
    """Sum of the weights in each cell; the places rise."""
    grid = np.zeros(cells, np.float32)
    first = np.flatnonzero(np.diff(places, prepend=-1))
    grid[places[first]] = np.add.reduceat(weight, first)
    return grid


def _powers(transformed: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Power of each bin, or half way to the next where that is more; chunks stay in the processor's cache."""
    power = np.empty(transformed.size, np.float32)
    for start in range(0, power.size, _CHUNK):
        here = transformed[start : start + _CHUNK + 1]
        between = np.abs(here[:-1] - here[1:])
        between *= between * np.float32(math.pi**2 / 16.0)
        found = np.square(here.real) + np.square(here.imag)
        found[:-1] = np.maximum(found[:-1], between)
        power[start : start + _CHUNK] = found[:_CHUNK]
    return power


def _flatten(searched: NDArray[np.float32]) -> None:
    """Divide by the local mean of the noise, from medians of stretches, at least 1; a rhythm's lines do not move it."""
    whole = searched.size // _LEVEL_BINS
    level = np.float32(1.0)
    for start in range(0, whole, _CHUNK // _LEVEL_BINS):
        stop = min(start + _CHUNK // _LEVEL_BINS, whole)
        rows = searched[start * _LEVEL_BINS : stop * _LEVEL_BINS].reshape(-1, _LEVEL_BINS)
        # The larger of two neighbouring exponentials, half dependent, has its median near 1.1.
        levels = np.maximum(np.median(rows, axis=1) / 1.1, 1.0)
        rows /= levels[:, None]
        level = levels[-1]
    searched[whole * _LEVEL_BINS :] /= level
