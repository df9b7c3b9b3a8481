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

An instrument that keeps more of a long record than it can store writes two rows a time (peak detection, envelope). A
line drawn through them in order would be a waveform that never was, so each interval is taken as one of three: low
throughout, high throughout, or both seen. An edge lies somewhere within the intervals in which both were seen, or,
where there is none, at the limit of two; equally likely everywhere in them, hence a standard uncertainty of their
length over √12 (JCGM 100:2008, 4.3.7), and never less than that of one interval. Whether the printed time is the
interval's beginning or its middle is not known either: it shifts both channels of one instrument alike.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.arrays.aliases import Bools, Floats, Places

RESOLVED = 0.4
MOST_CARRIED = 4_000_000
_LOW, _HIGH, _BOTH = -1, 1, 2


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


class BetweenStates(ValueError):
    """The waveform has stayed within the hysteresis for longer than can be kept in memory."""


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
            BetweenStates: the waveform has stayed within the hysteresis for 4 million samples.
        """
        time = np.concatenate([self._time, time])
        value = np.concatenate([self._value, np.clip(value, *self._limits)])
        above = value - self._reference
        side = np.where(above > self._band, 1, np.where(above < -self._band, -1, 0)).astype(np.int8)
        settled = np.flatnonzero(side)
        keep = int(settled[-1]) if settled.size else 0
        if time.size - keep > MOST_CARRIED:
            raise BetweenStates("the waveform stays between its two states")
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


class EnvelopeFinder:
    """Finds edges in pairs of rows, in chunks of one unbroken record. Not thread-safe."""

    def __init__(self, low: float, high: float, interval_ns: float, *, band: float = 0.1) -> None:
        """
        Args:
            low, high: state levels, low < high.
            interval_ns: that a pair stands for.
            band: half the width of the hysteresis, as a part of the amplitude; from 0 to below 0.5.

        Raises:
            ValueError: a value is out of range.
        """
        if not low < high or not 0.0 <= band < 0.5 or interval_ns <= 0:
            raise ValueError("levels must differ, the band must lie between them, and an interval has a length")
        self._reference = (low + high) / 2
        self._band = band * (high - low)
        self._interval = interval_ns
        self._time: Floats = np.empty(0)
        self._value: Floats = np.empty(0)
        # The last state that lasted an interval and when it ended, and the time since then in which both were seen.
        self._state, self._settled = 0, 0.0
        self._both: tuple[float, float] | None = None

    def feed(self, time: Floats, value: Floats) -> Crossings:
        """Add rows.

        Args:
            time: shape (n,), float64, nanoseconds; rows 0 and 1, 2 and 3, … of a segment carry the same.
            value: shape (n,), float64.

        Returns:
            The changes of state that these rows complete.
        """
        time, value = np.concatenate([self._time, time]), np.concatenate([self._value, value])
        whole = time.size // 2 * 2
        self._time, self._value = time[whole:], value[whole:]
        begins, pairs = time[:whole:2], value[:whole].reshape(-1, 2)
        lowest = pairs.min(axis=1) < self._reference - self._band
        highest = pairs.max(axis=1) > self._reference + self._band
        state = np.where(lowest & highest, _BOTH, np.where(highest, _HIGH, np.where(lowest, _LOW, 0)))
        # Between two intervals of one state nothing happens: only where the state differs is there anything to decide.
        seen = np.flatnonzero(state)
        first = np.flatnonzero(np.diff(state[seen], prepend=2 * _BOTH) != 0)
        last = np.append(first[1:], seen.size) - 1 if seen.size else first
        return self._decide(state[seen[first]].tolist(), begins[seen[first]].tolist(), begins[seen[last]].tolist())

    def _decide(self, states: list[int], firsts: list[float], lasts: list[float]) -> Crossings:
        """Runs of one state, and when the first and the last interval of each begin."""
        at: list[float] = []
        rising: list[bool] = []
        width: list[float] = []
        several: list[bool] = []
        step = self._interval
        for now, first, last in zip(states, firsts, lasts, strict=True):
            if now == _BOTH:
                self._both = (self._both[0] if self._both else first, last + step)
                continue
            both, self._both = self._both, None
            settled, self._settled = self._settled, last + step
            before, self._state = self._state, now
            if not before or (before == now and both is None):
                continue
            begin, end = both or (settled, first)
            long = end - begin > 1.5 * step
            if before != now:
                found = [((begin + end) / 2, now == _HIGH, max(step, end - begin))]
            else:
                # There and back again: once at least. Within one interval both edges are as little known as one.
                found = [(begin + step / 4, now == _LOW, step), (end - step / 4, now == _HIGH, step)]
            for when, up, wide in found:
                at.append(when)
                rising.append(up)
                width.append(wide)
                several.append(long)
        return Crossings(
            at=np.array(at, np.float64),
            rising=np.array(rising, np.bool_),
            uncertainty=np.array(width, np.float64) / math.sqrt(12.0),
            several=np.array(several, np.bool_),
        )
