"""The first pass over tables of samples: segments, how samples are spaced, and histograms for the state levels.

How samples are spaced decides what an edge's time means, so it is looked at over the whole file, not the first lines:

- evenly, as printed: each sample has its own time;
- evenly, but times are rounded (a spreadsheet keeps three digits): the spacing that the file or a person states is
  taken, or else the mean one, if the printed times agree with it;
- two rows a time: the least and the greatest value of an interval (envelope, peak detection). Which came first is not
  known, so these are no samples, and an edge is known to its interval only. Samples that are printed to half as many
  times look the same; only a stated interval tells them apart, so without one they are taken as the worse, an envelope;
- unevenly all along, as circuit simulators write: each sample has its own time, the line between two of them counts;
- evenly but for a leap: something is missing, and the file is refused.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.errors import DataError
from edgereply.exchange.imports.files import Progress
from edgereply.exchange.imports.samples import SampleFile, Samples, known_levels
from edgereply.exchange.imports.state_levels import RunningHistogram, StateLevels

# A step this much longer than the usual one is no sampling any more.
LEAP: Final = 50.0
# Of evenly spaced samples no more steps than this differ from the usual one by a fifth or more.
_ODD: Final = 0.05
# The intervals of an envelope are alike but for the print of their times.
_EVEN: Final = 2.5
# How far a stated interval may be from the mean one of rounded times: three digits are good to half a per cent.
_ALIKE: Final = 0.02


@dataclass(slots=True)
class Stretch:
    """One segment: samples, first and last time, shortest, usual and longest step, nanoseconds.

    Attributes:
        file, number: which segment of which file.
        zeros: steps between samples that carry the same time.
        odd: steps that differ from the usual one by a fifth or more.
        leap_line: of the first step that is far longer than the usual one; 0 where there is none.
        pairs: so far each time stands in two rows.
        climbing, falling: pairs whose second row is the greater or the lesser one.
        even_ns: spacing that is taken in place of the printed times; 0 where these are taken.
    """

    file: SampleFile
    number: int
    count: int = 0
    first: float = 0.0
    last: float = 0.0
    least: float = math.inf
    usual: float = 0.0
    most: float = 0.0
    zeros: int = 0
    odd: int = 0
    leap_line: int = 0
    pairs: bool = True
    climbing: int = 0
    falling: int = 0
    even_ns: float = 0.0

    @property
    def stands(self) -> bool:
        """Whether neighbouring samples carry the same time."""
        return self.zeros > 0

    @property
    def step(self) -> float:
        """Mean time between samples."""
        return (self.last - self.first) / max(1, self.count - 1)

    @property
    def envelope(self) -> bool:
        """Whether two rows are the extremes of an interval."""
        return self.pairs and self.count >= 6 and not self.even_ns

    @property
    def sorted_pairs(self) -> bool:
        """Whether the rows of a pair are sorted, which samples never are."""
        count = self.climbing + self.falling
        return self.pairs and count >= 8 and min(self.climbing, self.falling) <= 0.01 * count

    @property
    def interval_ns(self) -> float:
        """Of an envelope: the time that a pair stands for."""
        return (self.last - self.first) / max(1, -(-self.count // 2) - 1)

    @property
    def uneven(self) -> bool:
        """Whether samples are spaced unevenly all along."""
        return not (self.even_ns or self.pairs or self.zeros > _ODD * self.count) and self.odd > _ODD * self.count

    @property
    def length_ns(self) -> float:
        """From the first sample to the last, or to the end of the last interval."""
        if self.even_ns:
            return (self.count - 1) * self.even_ns
        return self.last - self.first + (self.interval_ns if self.envelope else 0.0)

    @property
    def stray_ns(self) -> float:
        """How far printed times may be off."""
        layout = self.file.layout
        # A stated spacing strays nowhere, and that of an envelope is in its intervals.
        if layout.time is None or (self.even_ns and layout.interval_ns) or self.count < 3 or self.envelope:
            return 0.0
        if self.uneven:
            largest = max(abs(self.first), abs(self.last)) / layout.unit_ns
            return layout.digits.step(largest) * layout.unit_ns if layout.digits else 0.0
        stray = min(self.most - self.least, self.least)
        return max(0.0, stray)

    def add(self, time: Floats, line: int) -> None:
        """Look at the times of further samples."""
        before = self.count
        if not before:
            self.first = self.last = float(time[0])
        steps = np.diff(time, prepend=self.last)[0 if before else 1 :]
        self.count += time.size
        self.last = float(time[-1])
        if not steps.size:
            return
        # Step n leads from sample n to n + 1: within a pair where n is even.
        within = (np.arange(steps.size) + (before - 1 if before else 0)) % 2 == 0
        self.pairs = self.pairs and bool(np.all((steps == 0) == within))
        going = steps[steps > 0]
        self.zeros += steps.size - going.size
        self.least = min(self.least, float(going.min(initial=math.inf)))
        self.most = max(self.most, float(steps.max()))
        self.usual = self.usual or float(np.median(steps))
        self.odd += int(np.count_nonzero(np.abs(steps - self.usual) > 0.2 * self.usual))
        if not self.leap_line and self.most > LEAP * max(self.usual, self.least):
            self.leap_line = line + (0 if before else 1) + int(steps.argmax())

    def compare(self, values: Floats, before: int) -> None:
        """Look at the order of values within pairs; `before` rows of the segment came earlier."""
        within = values[before % 2 :]
        rise = np.diff(within[: within.size // 2 * 2].reshape(-1, 2), axis=1)
        self.climbing += int(np.count_nonzero(rise > 0))
        self.falling += int(np.count_nonzero(rise < 0))

    def settle(self) -> None:
        """Decide how samples are spaced, when all were seen.

        Raises:
            DataError: evenly, but for a leap.
        """
        layout = self.file.layout
        stated = layout.interval_ns
        if layout.time is None or layout.forced:
            self.even_ns = stated
            return
        # Pairs agree with an interval of half their spacing only where they are samples.
        rounded = self.stands or self.most - self.least > 0.1 * stated
        if stated and rounded and not self.sorted_pairs and abs(self.step - stated) <= _ALIKE * stated:
            self.even_ns = stated
            return
        if self.envelope:
            if self.most > _EVEN * self.least:
                raise DataError(
                    "two rows stand at each time, and the times are irregular: neither samples nor an envelope",
                    where=str(self.file.path),
                    remedy="export samples, or the changes as logic levels 0 and 1 with one row each",
                )
            return
        if self.leap_line and not self.uneven:
            raise DataError(
                f"{layout.row} {self.leap_line}: time leaps by {self.most:g} ns where {self.usual:g} ns are usual: "
                "these are no evenly spaced samples",
                where=f"{self.file.path}:{self.leap_line}",
                remedy="export the samples without a gap, or state their spacing with --interval where the times are "
                "rounded",
            )
        if self.stands and not self.uneven:
            self.even_ns = self.step

    def times(self, samples: Samples, before: int) -> Floats:
        """Times of samples since the segment's start; even spacing where times are printed too coarsely.

        Args:
            samples: of this segment.
            before: samples of this segment that came before.

        Raises:
            DataError: printed times do not agree with even spacing.
        """
        layout = self.file.layout
        if layout.time is None:
            return samples.time_ns * layout.interval_ns
        if not self.even_ns:
            return samples.time_ns - self.first
        even: Floats = np.arange(before, before + samples.time_ns.size, dtype=np.float64) * self.even_ns
        off = np.abs(samples.time_ns - self.first - even)
        most = self.most if layout.interval_ns else self.least
        if not layout.forced and off.max() > 1.5 * most:
            line = samples.line + int(off.argmax())
            raise DataError(
                f"{layout.row} {line}: time stands still or leaps: the samples are not evenly spaced",
                where=f"{self.file.path}:{line}",
                remedy="export more digits of the time, or start and increment; --interval states the spacing",
            )
        return even

    def doubts(self) -> list[str]:
        """What was taken for granted about the times."""
        layout = self.file.layout
        if layout.time is None:
            return []
        if layout.forced:
            if abs(self.step - self.even_ns) <= _ALIKE * self.even_ns:
                return []
            return [
                f"--interval says {self.even_ns:g} ns between samples, the time column has {self.step:g} ns on "
                "average: --interval counts"
            ]
        if self.even_ns and layout.interval_ns:
            return [
                "times are rounded, as a spreadsheet does: the interval that the header states is taken, "
                f"{self.even_ns:g} ns"
            ]
        if self.even_ns:
            return ["times are printed too coarsely to tell neighbouring samples apart: even spacing is taken"]
        if self.envelope:
            return [
                "two rows stand at each time: taken as the least and the greatest value of an interval (envelope, "
                f"peak detection), so an edge is known to its interval of {self.interval_ns:g} ns only; export plain "
                "samples for finer times, or state the spacing with --interval if these are samples"
            ]
        return []


class Survey:
    """What the first pass finds. Not thread-safe."""

    def __init__(self) -> None:
        self.stretches: list[Stretch] = []
        self.quanta: dict[str, float] = {}
        self.unknown: dict[str, int] = {}
        self._histograms: dict[str, RunningHistogram] = {}

    def read(self, file: SampleFile, tell: Progress) -> None:
        """Read one file.

        Raises:
            DataError: see `SampleFile.read`; or time leaps, or a sample is no voltage.
        """
        layout = file.layout
        current: Stretch | None = None
        last: dict[str, float] = {}
        for samples in file.read(tell):
            if current is None or samples.segment != current.number:
                current = Stretch(file, samples.segment)
                self.stretches.append(current)
                last = {}
            current.add(
                samples.time_ns if layout.time is not None else samples.time_ns * layout.interval_ns, samples.line
            )
            for values in samples.values.values() if current.pairs else ():
                current.compare(values, current.count - samples.time_ns.size)
            self._take(file, samples, last)
        for stretch in self.stretches:
            if stretch.file is file:
                stretch.settle()

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

    def _take(self, file: SampleFile, samples: Samples, last: dict[str, float]) -> None:
        layout = file.layout
        for name, values in samples.values.items():
            if name in layout.logic:
                values, turned = known_levels(values, last.get(name, math.nan))
                self.unknown[name] = self.unknown.get(name, 0) + turned
                last[name] = float(values[-1])
                values = values[~np.isnan(values)]
            try:
                self._histograms.setdefault(name, RunningHistogram()).add(values)
            except ValueError as error:
                raise DataError(
                    f"{error} ({name}, after {layout.row} {samples.line})", where=f"{file.path}:{samples.line}",
                    remedy=f"correct or remove the {layout.row}",
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
