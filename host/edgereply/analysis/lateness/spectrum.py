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

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.arrays.compiled import fast_length, rfft

_MOST_CELLS = 30_000_000
# Bins in which the local level of the power is measured.
_LEVEL_BINS = 64
# Two cycles a run are a fifteen-hundredth of a radian within one of so many stretches, either side of its middle.
STRETCHES = 1 << 13
_CHUNK = 1 << 18


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """Power of late answers on a grid of frequencies.

    The power of a bin is that of its transform, or of half way to the next bin where that is more, divided by its local
    level where that is above 1 (bursts raise broad stretches of the spectrum, which are no rhythm). It is worked out
    for the bins that are asked for: of millions, a search needs some hundreds.

    Attributes:
        step_hz: distance of frequencies; bin k is k * step_hz.
        transformed: shape (bins,), complex64, the transform of the weights.
        first: first bin of the search: enough cycles in the run. Below it the power is 0.
        shortest_ns: shortest period the grid can tell.
        longest_ns: longest period with enough cycles in the run.
    """

    step_hz: float
    transformed: NDArray[np.complex64]
    first: int
    shortest_ns: int
    longest_ns: int

    @property
    def trials(self) -> float:
        """Independent frequencies looked at, doubled for looking between them."""
        return 2.0 * max(self.transformed.size - self.first, 1)

    @property
    def power(self) -> NDArray[np.float32]:
        """Of all bins."""
        parts = range(0, self.transformed.size, _CHUNK)
        return np.concatenate([self.at(np.arange(k, min(k + _CHUNK, self.transformed.size))) for k in parts])

    def at(self, bins: Int64s) -> NDArray[np.float32]:
        """Power of chosen bins.

        Args:
            bins: shape (k,), 0 to the number of bins - 1.
        """
        searched = np.maximum(bins - self.first, 0)
        whole = (self.transformed.size - self.first) // _LEVEL_BINS
        found = np.where(bins < self.first, np.float32(0.0), _powers(self.transformed, bins))
        if whole:
            # What is left over at the end has the level of the last whole stretch.
            stretch = np.minimum(searched // _LEVEL_BINS, whole - 1)
            asked = np.zeros(whole, np.bool_)
            asked[stretch] = True
            found /= self._levels(np.flatnonzero(asked))[np.cumsum(asked)[stretch] - 1]
        return found

    def above(self, level: float) -> Int64s:
        """All bins whose power is above a level, rising; only where it could be is it worked out."""
        found: list[Int64s] = []
        for start in range(self.first, self.transformed.size, _CHUNK):
            here = self.transformed[start : start + _CHUNK + 1]
            squares = np.square(here.real)
            squares += np.square(here.imag)
            both = squares.copy()
            both[:-1] += squares[1:]
            # Half way between two bins there is at most pi^2 / 8 of the sum of their powers, and 1.25 is more.
            likely = start + np.flatnonzero(both[:_CHUNK] > level / 1.25)
            # The local level only takes away from it.
            found.append(likely[_powers(self.transformed, likely) > level])
        strong = np.concatenate([np.zeros(0, np.int64), *found])
        return strong[self.at(strong) > level]

    def _levels(self, stretches: Int64s) -> NDArray[np.float32]:
        """Local mean of the noise, from medians of stretches, at least 1; a rhythm's lines do not move it."""
        levels = np.empty(stretches.size, np.float32)
        for start in range(0, stretches.size, _CHUNK // _LEVEL_BINS):
            part = slice(start, start + _CHUNK // _LEVEL_BINS)
            bins = (self.first + stretches[part, None] * _LEVEL_BINS + np.arange(_LEVEL_BINS)).ravel()
            rows = _powers(self.transformed, bins).reshape(-1, _LEVEL_BINS)
            # The larger of two neighbouring exponentials, half dependent, has its median near 1.1.
            levels[part] = np.maximum(np.median(rows, axis=1) / 1.1, 1.0)
        return levels


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
    size = fast_length(cells, real=True)
    transformed = rfft(_on_grid(places, weights(late), size), size)
    step = 1.0 / (size * width)
    first = min(max(1, round(fewest_cycles / length / step)), transformed.size - 1)
    return Spectrum(
        step_hz=step,
        transformed=transformed,
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


def _powers(transformed: NDArray[np.complex64], bins: Int64s) -> NDArray[np.float32]:
    """Power of chosen bins, or half way to the next where that is more; the last bin has no next."""
    here = transformed[bins]
    between = np.abs(here - transformed[np.minimum(bins + 1, transformed.size - 1)])
    between *= between * np.float32(math.pi**2 / 16.0)
    between[bins == transformed.size - 1] = 0.0
    found = np.square(here.real) + np.square(here.imag)
    return np.asarray(np.maximum(found, between), np.float32)
