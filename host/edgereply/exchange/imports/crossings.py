"""When a waveform passes its 50 % reference level, chunk by chunk.

Source: IEEE Std 181-2011: the reference level instant is found by linear interpolation between the two samples about
the crossing. A change of state counts only when the waveform leaves a band about the reference level (hysteresis), so
noise on a slow edge is one edge; where the reference level is crossed several times within the band, the mean of the
first and the last crossing is taken.

How well a crossing is known (standard uncertainty; JCGM 100:2008, 4.3.7 for rectangular distributions):

- Fewer than two samples on the transition, so that both samples about the crossing are more than 40 % of the amplitude
  apart: it may lie anywhere between them, step / √12.
- Otherwise noise and quantisation of the two samples, over the slope; and the curvature that a straight line leaves
  out, that of an RC edge: v″ = slope / τ and at most step² / (8 τ), τ being the amplitude over twice the slope.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Bools, Floats, Places

RESOLVED = 0.4
MOST_CARRIED = 4_000_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """Changes of state in order of time.

    Attributes:
        at: shape (n,), float64, in the unit of the times given.
        rising: shape (n,), bool.
        uncertainty: shape (n,), float64, standard uncertainty of `at`, same unit, from samples alone.
        several: shape (n,), bool: the reference level was crossed more than once on the way.
    """

    at: Floats
    rising: Bools
    uncertainty: Floats
    several: Bools


class CrossingFinder:
    """Finds crossings in chunks of one unbroken record. Not thread-safe."""

    def __init__(self, low: float, high: float, *, band: float = 0.1, noise: float = 0.0, level: float = 0.5) -> None:
        """
        Args:
            low, high: state levels, low < high.
            band: half the width of the hysteresis, as a part of the amplitude; from 0 to below 0.5.
            noise: standard deviation of one sample, quantisation included, waveform's unit.
            level: reference level as a part of the amplitude.

        Raises:
            ValueError: a value is out of range.
        """
        if not low < high or not 0.0 <= band < min(level, 1.0 - level) or not 0.0 < level < 1.0:
            raise ValueError("levels must differ, and the band must lie between them")
        self._amplitude = high - low
        self._reference = low + level * self._amplitude
        self._band = band * self._amplitude
        self._limits = (low - self._amplitude, high + self._amplitude)
        self._noise = noise
        self._time: Floats = np.empty(0)
        self._value: Floats = np.empty(0)

    def feed(self, time: Floats, value: Floats) -> Crossings:
        """Add samples.

        Args:
            time: shape (n,), float64, strictly rising, also from chunk to chunk.
            value: shape (n,), float64; infinite where the instrument's range was left.

        Returns:
            The changes of state that these samples complete.

        Raises:
            ValueError: the waveform has stayed within the hysteresis for 4 million samples.
        """
        time = np.concatenate([self._time, time])
        value = np.concatenate([self._value, np.clip(value, *self._limits)])
        above = value - self._reference
        side = np.where(above > self._band, 1, np.where(above < -self._band, -1, 0)).astype(np.int8)
        settled = np.flatnonzero(side)
        keep = int(settled[-1]) if settled.size else 0
        if time.size - keep > MOST_CARRIED:
            raise ValueError("the waveform stays between its two states")
        self._time, self._value = time[keep:], value[keep:]
        turn = np.flatnonzero(np.diff(side[settled]))
        return self._changes(time, value, above, side, settled[turn], settled[turn + 1])

    def _changes(
        self,
        time: Floats,
        value: Floats,
        above: Floats,
        side: NDArray[np.int8],
        before: Places,
        after: Places,
    ) -> Crossings:
        """One change of state between each pair of samples that lie outside the band on different sides."""
        passing = np.flatnonzero((above[:-1] >= 0) != (above[1:] >= 0))
        first = passing[np.searchsorted(passing, before)]
        last = passing[np.searchsorted(passing, after) - 1]
        at = (self._interpolate(time, value, first) + self._interpolate(time, value, last)) / 2
        return Crossings(
            at=at,
            rising=side[after] > 0,
            uncertainty=self._uncertainty(time, value, first),
            several=first != last,
        )

    def _interpolate(self, time: Floats, value: Floats, left: Places) -> Floats:
        part = (self._reference - value[left]) / (value[left + 1] - value[left])
        found: Floats = time[left] + part * (time[left + 1] - time[left])
        return found

    def _uncertainty(self, time: Floats, value: Floats, left: Places) -> Floats:
        step = time[left + 1] - time[left]
        rise = np.abs(value[left + 1] - value[left])
        noise = self._noise * step / rise
        curvature = step * rise / (4.0 * self._amplitude)
        resolved = rise <= RESOLVED * self._amplitude
        found: Floats = np.where(resolved, np.hypot(noise, curvature), step / math.sqrt(12.0))
        return found
