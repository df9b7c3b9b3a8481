"""The first pass over oscilloscope CSV files: segments, sample spacing, and histograms for the state levels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.errors import DataError
from edgereply.exchange.imports.csv_layout import CsvLayout
from edgereply.exchange.imports.csv_reader import Samples, read_samples
from edgereply.exchange.imports.files import Progress
from edgereply.exchange.imports.state_levels import RunningHistogram, StateLevels

# A step this much longer than the usual one is no sampling any more.
LEAP: Final = 50.0


@dataclass(slots=True)
class Stretch:
    """One segment: samples, first and last time, shortest, usual and longest step, nanoseconds.

    `stands` is set where neighbouring samples carry the same time.
    """

    file: Path
    number: int
    count: int = 0
    first: float = 0.0
    last: float = 0.0
    least: float = math.inf
    usual: float = 0.0
    most: float = 0.0
    stands: bool = False

    @property
    def step(self) -> float:
        """Mean time between samples."""
        return (self.last - self.first) / max(1, self.count - 1)

    def times(self, samples: Samples, layout: CsvLayout, before: int) -> Floats:
        """Times of samples since the segment's start; even spacing where times are printed too coarsely.

        Args:
            samples: of this segment.
            layout: of the file.
            before: samples of this segment that came before.
        """
        if layout.time is None:
            return samples.time_ns * layout.interval_ns
        if not self.stands:
            return samples.time_ns - self.first
        even: Floats = np.arange(before, before + samples.time_ns.size, dtype=np.float64) * self.step
        off = np.abs(samples.time_ns - self.first - even)
        if off.max() > 1.5 * self.least:
            line = samples.line + int(off.argmax())
            raise DataError(
                f"line {line}: time stands still or leaps: the samples are not evenly spaced",
                where=f"{self.file}:{line}",
                remedy="export more digits of the time, or start and increment",
            )
        return even


class Survey:
    """What the first pass finds. Not thread-safe."""

    def __init__(self) -> None:
        self.stretches: list[Stretch] = []
        self.quanta: dict[str, float] = {}
        self._histograms: dict[str, RunningHistogram] = {}

    def read(self, path: Path, layout: CsvLayout, tell: Progress) -> None:
        """Read one file.

        Raises:
            DataError: see `read_samples`; or time leaps, or a sample is no voltage.
        """
        current: Stretch | None = None
        for samples in read_samples(path, layout, tell):
            if current is None or samples.segment != current.number:
                current = Stretch(path, samples.segment)
                self.stretches.append(current)
            self._take(current, samples, layout)

    def levels(self, given: Mapping[str, tuple[float, float]]) -> dict[str, StateLevels]:
        """State levels by channel, those given in place of the histogram's.

        Raises:
            DataError: there is no sample at all.
        """
        if not self._histograms:
            raise DataError("there are no samples", where="import", remedy="export the recording again")
        found = {}
        for name, histogram in self._histograms.items():
            low, high = given.get(name, (None, None))
            try:
                found[name] = histogram.levels(low, high)
            except ValueError as error:
                raise DataError(str(error), where=name, remedy="choose a range that holds the signal") from error
        return found

    def _take(self, stretch: Stretch, samples: Samples, layout: CsvLayout) -> None:
        time = samples.time_ns if layout.time is not None else samples.time_ns * layout.interval_ns
        if not stretch.count:
            stretch.first = stretch.last = float(time[0])
        steps = np.diff(time, prepend=stretch.last)[0 if stretch.count else 1 :]
        line = samples.line + (0 if stretch.count else 1)
        stretch.count += time.size
        stretch.last = float(time[-1])
        if steps.size:
            going = steps[steps > 0]
            stretch.stands = stretch.stands or going.size < steps.size
            stretch.least = min(stretch.least, float(going.min(initial=math.inf)))
            stretch.most = max(stretch.most, float(steps.max()))
            stretch.usual = stretch.usual or float(np.median(steps))
            if stretch.most > LEAP * max(stretch.usual, stretch.least):
                line += int(steps.argmax())
                raise DataError(
                    f"line {line}: time leaps by {stretch.most:g} ns where {stretch.usual:g} ns are usual: these are "
                    "no evenly spaced samples",
                    where=f"{stretch.file}:{line}",
                    remedy="export samples, not a list of changes; changes are imported from a VCD",
                )
        for name, values in samples.values.items():
            try:
                self._histograms.setdefault(name, RunningHistogram()).add(values)
            except ValueError as error:
                raise DataError(
                    f"{error} ({name}, after line {samples.line})", where=f"{stretch.file}:{samples.line}",
                    remedy="correct or remove the line",
                ) from error  # fmt: skip
            if name not in self.quanta:
                self.quanta[name] = _quantum(values)


def _quantum(values: Floats) -> float:
    """Smallest difference between samples: the instrument's vertical resolution, or that of the print."""
    there = np.unique(values[:200_000][np.isfinite(values[:200_000])])
    steps = np.diff(there)
    # What arithmetic in the instrument leaves behind is no step.
    steps = steps[steps > 1e-6 * max(1e-12, float(np.ptp(there)) if there.size else 0.0)]
    return float(steps.min()) if steps.size else 0.0
