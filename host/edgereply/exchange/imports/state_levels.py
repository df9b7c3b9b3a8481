"""The two state levels of a recorded waveform, from the histogram of its samples.

Source: IEEE Std 181-2011 (the same as IEC 60469:2013), state levels by histogram modes: the occupied range is split
into two halves, and the most frequent bin of each half gives its level. The samples of that bin and its neighbours are
averaged, so that a level is finer than a bin.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats

_BINS = 4096
_COARSE = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class StateLevels:
    """Low and high state of a waveform, in its own unit (volts as a rule).

    Attributes:
        low, high: the state levels; equal where the waveform never changed.
        noise: standard deviation of the samples that belong to a state, about its level; the noisier state's.
        low_count, high_count: samples within a quarter of the amplitude of each level.
        minimum, maximum: of all finite samples.
        count: finite samples.
        out_of_range: samples that were infinite, as instruments write what is off their screen.
    """

    low: float
    high: float
    noise: float
    low_count: int
    high_count: int
    minimum: float
    maximum: float
    count: int
    out_of_range: int

    @property
    def amplitude(self) -> float:
        """High minus low."""
        return self.high - self.low


class RunningHistogram:
    """A histogram of samples that arrive in chunks, in memory that does not grow. Not thread-safe.

    The range doubles towards whatever lies outside it, neighbouring bins being added up, so at least a quarter of the
    4,096 bins always covers what was seen, whatever the first chunk looked like.
    """

    def __init__(self) -> None:
        self._low = self._origin = 0.0
        self._width = 0.0
        self._counts = np.zeros(_BINS, np.int64)
        self._sums = np.zeros(_BINS)
        self._squares = np.zeros(_BINS)
        self._minimum, self._maximum = math.inf, -math.inf
        self._out_of_range = 0

    def add(self, values: Floats) -> None:
        """Count one chunk.

        Args:
            values: shape (n,), float64, the waveform's unit; infinite ones are counted apart.

        Raises:
            ValueError: a value is not a number, or too large to be a voltage (beyond ± 1e30).
        """
        there = values[np.isfinite(values)]
        if np.isnan(values).any():
            raise ValueError("a sample is not a number")
        self._out_of_range += values.size - there.size
        if not there.size:
            return
        low, high = float(there.min()), float(there.max())
        if max(-low, high) > 1e30:
            raise ValueError(f"a sample of {max(-low, high):g} is no voltage")
        self._reach(low, high)
        self._minimum, self._maximum = min(self._minimum, low), max(self._maximum, high)
        place = np.clip(((there - self._low) / self._width).astype(np.int64), 0, _BINS - 1)
        self._counts += np.bincount(place, minlength=_BINS)
        # Offsets from a fixed origin keep the sums exact for a small signal on a large bias.
        offset = there - self._origin
        self._sums += np.bincount(place, weights=offset, minlength=_BINS)
        self._squares += np.bincount(place, weights=offset * offset, minlength=_BINS)

    def levels(self, low: float | None = None, high: float | None = None) -> StateLevels:
        """The state levels of everything counted so far.

        Args:
            low, high: known levels, in place of the histogram's.

        Raises:
            ValueError: no finite sample was counted.
        """
        occupied = np.flatnonzero(self._counts)
        if not occupied.size:
            raise ValueError("there is no sample within the instrument's range")
        modes = self._modes(int(occupied[0]), int(occupied[-1]))
        return self._levels(modes[0] if low is None else low, modes[1] if high is None else high)

    def _modes(self, first: int, last: int) -> tuple[float, float]:
        """Mean about the most frequent bin of the lower and the upper half; the same twice where there is one half."""
        step = max(1, -(-(last + 1 - first) // _COARSE))
        starts = np.arange(first, last + 1, step)
        coarse = np.add.reduceat(self._counts[: last + 1], starts)
        centres = self._low + (np.minimum(starts + step, last + 1) + starts) / 2 * self._width
        upper = centres > (self._minimum + self._maximum) / 2
        if not upper.any() or upper.all():
            return (self._mean(first, last + 1),) * 2
        found = []
        for half in (~upper, upper):
            mode = int(starts[int(np.argmax(np.where(half, coarse, -1)))])
            found.append(self._mean(max(first, mode - step), min(last + 1, mode + 2 * step)))
        return found[0], found[1]

    def _levels(self, low: float, high: float) -> StateLevels:
        near = abs(high - low) / 4 if high > low else self._maximum - self._minimum
        noise, counts = [], []
        for level in (low, high):
            begin = max(0, math.floor((level - near - self._low) / self._width))
            end = min(_BINS, math.floor((level + near - self._low) / self._width) + 1)
            count = int(self._counts[begin:end].sum())
            counts.append(count)
            mean = self._sums[begin:end].sum() / max(1, count)
            about = self._squares[begin:end].sum() / max(1, count) - mean * mean
            noise.append(math.sqrt(max(0.0, about)))
        return StateLevels(
            low=low,
            high=high,
            noise=max(noise),
            low_count=counts[0],
            high_count=counts[1],
            minimum=self._minimum,
            maximum=self._maximum,
            count=int(self._counts.sum()),
            out_of_range=self._out_of_range,
        )

    def _mean(self, begin: int, end: int) -> float:
        return self._origin + float(self._sums[begin:end].sum() / self._counts[begin:end].sum())

    def _reach(self, low: float, high: float) -> None:
        if not self._width:
            # A constant first chunk must have a width too, and the maximum lies within the last bin.
            room = max((high - low) * 0.01, abs(low) * 1e-9, abs(high) * 1e-9, 1e-12)
            self._origin = self._low = low - room
            self._width = (high - low + 2 * room) / _BINS
        while low < self._low:
            self._low -= self._width * _BINS
            self._double(down=True)
        while high >= self._low + self._width * _BINS:
            self._double(down=False)

    def _double(self, down: bool) -> None:
        """Add up pairs of bins; the free half lies below (down) or above what was there."""
        half = _BINS // 2
        for bins in (self._counts, self._sums, self._squares):
            pairs = bins.reshape(-1, 2).sum(axis=1)
            bins[:half], bins[half:] = (0, pairs) if down else (pairs, 0)
        self._width *= 2
