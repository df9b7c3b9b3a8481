"""Samples of a table, whatever file it came from: what its columns are, and where one segment ends and the next begins.

A table is read in pieces of columns; `Cutter` turns them into samples of one segment each. Every reader of tables
(text, arrays, archives) gives its columns to it, so that segments, going back in time and the limits are one idea.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.errors import DataError
from edgereply.exchange.imports.files import Progress

MOST_SEGMENTS: Final = 100_000
MOST_NS: Final = 1e18
# A time column that stands in a file of its own.
TIME_APART: Final = -1
UNIT_NAMES: Final = {1e9: "s", 1e6: "ms", 1e3: "µs", 1.0: "ns", 1e-3: "ps"}

Columns = dict[int, Floats]


@dataclass(frozen=True, slots=True)
class Digits:
    """How finely times are printed.

    Attributes:
        places: digits after the decimal mark, the most of the file's first lines.
        exponent: the numbers have an exponent, so that a large time is printed more coarsely than a small one.
    """

    places: int
    exponent: bool

    def step(self, largest: float) -> float:
        """Difference that the last digit makes, at a time of that size; same unit."""
        power = math.floor(math.log10(largest)) if self.exponent and largest > 0 else 0
        return float(10.0 ** (power - self.places))


@dataclass(frozen=True, slots=True, eq=False)
class Times:
    """Times of samples that stand in a file of their own.

    Attributes:
        path: of that file.
        at_ns: shape (n,), float64.
        unit_ns: nanoseconds a unit of that file.
        digits: how finely they are printed; None for binary numbers.
    """

    path: Path
    at_ns: Floats
    unit_ns: float
    digits: Digits | None = None

    def check(self, path: Path, rows: int, at_least: bool = False) -> None:
        """Whether there is a time for each row of a file, or so far.

        Raises:
            DataError: there is not.
        """
        if rows > self.at_ns.size or (rows < self.at_ns.size and not at_least):
            raise DataError(
                f"it has {rows:,} rows of values{' or more' if at_least else ''}, {self.path} has {self.at_ns.size:,} "
                "times",
                where=str(path),
                remedy="give the file of times that belongs to these values",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class TableLayout:
    """What the columns of one file are.

    Attributes:
        kind: of file, for people.
        time: number of the time column; None where time is start and increment.
        segment: number of a column that numbers segments, or None.
        channels: by name, number of the column and volts a unit.
        logic: channels that hold logic levels: 0, 1 or an unknown one.
        unit_ns: nanoseconds a unit of the time column.
        start_ns: of the first sample where there is no time column; otherwise what is added to the column's times.
        origin_ns: what whole numbers in the column were counted from, on the file's own clock.
        interval_ns: between samples, as stated by the file or by a person; 0 where nobody states it.
        forced: a person states it: it wins over the time column.
        digits: how finely times are printed; None for binary numbers.
        unit: of the channels' values.
        row: what a row is called, "line" in a text.
        sparse: rows without any change are left out; only logic levels are.
        topics: the layout in words, for the preview.
        header: the lines before the data, as they stand.
        doubts: what was taken for granted.
    """

    kind: str
    time: int | None
    channels: dict[str, tuple[int, float]]
    segment: int | None = None
    logic: frozenset[str] = frozenset()
    unit_ns: float = 1e9
    start_ns: float = 0.0
    origin_ns: int = 0
    interval_ns: float = 0.0
    forced: bool = False
    digits: Digits | None = None
    unit: str = "V"
    row: str = "line"
    sparse: bool = False
    topics: dict[str, str] = field(default_factory=dict)
    header: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    def words(self) -> dict[str, str]:
        """The layout as the preview shows it."""
        axis = f"a sample each {self.interval_ns:g} ns, as the file or --interval says"
        if self.time == TIME_APART:
            axis = f"in a file of its own, in {UNIT_NAMES[self.unit_ns]}"
        elif self.time is not None:
            axis = f"column {self.time + 1}, in {UNIT_NAMES[self.unit_ns]}"
        segments = {} if self.segment is None else {"segments": f"numbered in column {self.segment + 1}"}
        return self.topics | {"time": axis} | segments


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Samples of one segment that were read in one go.

    Attributes:
        segment: number of the segment within the file, from 0.
        time_ns: shape (n,), float64; counts of samples from the segment's start where the file has no time column.
        values: by channel, shape (n,), float64 volts; logic levels 0 and 1, NaN where unknown.
        line: of the first sample.
    """

    segment: int
    time_ns: Floats
    values: dict[str, Floats]
    line: int


@dataclass(slots=True)
class SampleFile:
    """One file, ready to be read as often as needed.

    Attributes:
        path: of the file.
        size: bytes of it, for the progress.
        layout: of its columns.
        samples: reads all of it, in the file's order, never samples of two segments at once.
        without_values: rows without values that the last reading left out.
    """

    path: Path
    size: int
    layout: TableLayout
    samples: Callable[[SampleFile, Progress], Iterator[Samples]]
    without_values: int = 0

    def read(self, tell: Progress) -> Iterator[Samples]:
        """Read the file once more.

        Raises:
            DataError: a row is no sample, time goes back a little, or there are too many segments; with its number.
        """
        self.without_values = 0
        return self.samples(self, tell)


class Cutter:
    """Cuts columns into segments and checks that time goes on. Not thread-safe.

    A segment ends where the file says so, unless time goes on as before; where the segment column changes; and where
    time goes back by at least half of what the segment has lasted.
    """

    def __init__(self, path: Path, layout: TableLayout) -> None:
        self._path, self._layout = path, layout
        self._segment = -1
        self._rows = 0
        self._first = self._last = self._step = 0.0
        self._number: float | None = None
        self._parted = False

    def cut(self, line: int, columns: Columns | None) -> Iterator[Samples]:
        """Samples of a stretch of rows, cut where a segment ends; None where the file itself parts segments."""
        if columns is None:
            self._parted = True
            return
        layout = self._layout
        size = len(next(iter(columns.values())))
        ends = {size}
        if layout.segment is not None:
            number = columns[layout.segment]
            ends |= set((np.flatnonzero(np.diff(number)) + 1).tolist())
            if self._number is not None and number[0] != self._number:
                self._rows = 0
            self._number = float(number[-1])
        if layout.time is not None:
            ends |= set((np.flatnonzero(np.diff(columns[layout.time]) < 0) + 1).tolist())
        begin = 0
        for end in sorted(ends):
            if begin < end:
                yield self._take(line, columns, begin, end)
            begin = end
            if end < size and layout.segment is not None and number[end] != number[end - 1]:
                self._rows = 0

    def _take(self, line: int, columns: Columns, begin: int, end: int) -> Samples:
        layout = self._layout
        if layout.time is None:
            time = np.arange(self._rows, self._rows + end - begin, dtype=np.float64)
        else:
            time = self._times(line, columns[layout.time], begin, end)
            if self._rows and time[0] < self._last:
                if self._last - time[0] < (self._last - self._first) / 2:
                    raise DataError(
                        f"{layout.row} {line + begin}: time goes back by {self._last - time[0]:g} ns",
                        where=f"{self._path}:{line + begin}",
                        remedy="export the samples in order; a new segment starts where the first one did",
                    )
                self._rows = 0
            # Blank lines alone part nothing where time simply goes on: some programs write one after every sample.
            self._parted = self._parted and not 0 <= time[0] - self._last <= 1.5 * self._step
        if self._parted or not self._rows:
            self._rows, self._parted = 0, False
            self._segment += 1
            self._first = float(time[0])
            if self._segment >= MOST_SEGMENTS:
                raise DataError(
                    f"more than {MOST_SEGMENTS:,} segments", where=f"{self._path}:{line + begin}",
                    remedy="import them in parts; does time stand still in this file?",
                )  # fmt: skip
        # After a single sample nobody knows how long a step is.
        self._step = math.inf if self._rows + time.size == 1 else float(time[-1] - np.append(self._last, time)[-2])
        self._rows += end - begin
        self._last = float(time[-1])
        values = {name: columns[column][begin:end] * scale for name, (column, scale) in layout.channels.items()}
        return Samples(self._segment, time, values, line + begin)

    def _times(self, line: int, column: Floats, begin: int, end: int) -> Floats:
        layout = self._layout
        time = column[begin:end]
        if not np.abs(time).max() <= MOST_NS / layout.unit_ns:
            at = line + begin + int(np.argmax(np.abs(time)))
            raise DataError(
                f"a time near {layout.row} {at} is no time of an instrument", where=f"{self._path}:{at}",
                remedy=f"is the unit of time in the header right? Correct or remove the {layout.row}",
            )  # fmt: skip
        return time * layout.unit_ns


def known_levels(values: Floats, before: float) -> tuple[Floats, int]:
    """Logic levels with every unknown one replaced by the level before it.

    Args:
        values: shape (n,), 0, 1 or NaN.
        before: level before the first of them; NaN where none was known yet.

    Returns:
        The levels, NaN only until the first known one; and how many times a known level became unknown.
    """
    unknown = np.isnan(values)
    if not unknown.any():
        return values, 0
    chain = np.concatenate([[before], values])
    known = ~np.isnan(chain)
    last = np.maximum.accumulate(np.where(known, np.arange(chain.size), 0))
    turned = int(np.count_nonzero(known[:-1] & unknown))
    return chain[last][1:], turned
