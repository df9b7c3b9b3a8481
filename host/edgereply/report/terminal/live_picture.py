"""Answers of a running measurement as a picture: their distribution so far, and below it a strip of the last minutes.

Both share one logarithmic axis of reaction time from left to right. In the strip time runs down, a row for some
seconds, and a cell is the brighter the more answers fell into it: a drift leans, a burst is a bright row far to the
right, a second way of answering is a second trace.

Counting has to cost the same however long the run is, so answers are counted in fixed buckets, 128 to an octave
(0.5 %), fine enough that a column of the screen is never narrower than a bucket. A slice of the strip keeps only the
buckets it has.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from rich.text import Text

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.wording.numbers import exactly

PER_OCTAVE: Final = 128
_BUCKETS: Final = 64 * PER_OCTAVE
# Answers become certain a second or so after the stimulus, some at a time: a slice of two seconds has always some.
SLICE_S: Final = 2.0
MOST_SLICES: Final = 150
MARGIN: Final = 8
_HEIGHTS: Final = " ▁▂▃▄▅▆▇█"
_PLAIN_HEIGHTS: Final = "  ..::###"
_SHADES: Final = " ░▒▓█"
_PLAIN_SHADES: Final = " .:*#"


@dataclass(slots=True)
class _Slice:
    """The answers of two seconds: the buckets that have any, and how many each has."""

    number: int
    buckets: Int64s
    counts: Int64s


@dataclass(frozen=True, slots=True)
class _Columns:
    """How buckets fall on the columns of a screen."""

    first: int
    span: int
    width: int

    def of(self, buckets: Int64s) -> Int64s:
        """The column of each bucket."""
        return (buckets - self.first) * self.width // self.span

    def counted(self, buckets: Int64s, counts: Int64s) -> Int64s:
        """Counts by column; shape (width,)."""
        return np.bincount(self.of(buckets), counts, minlength=self.width).astype(np.int64)


class LivePicture:
    """Takes in answers and draws them. Not thread-safe.

    Attributes:
        slowest_ns: the slowest answer so far, None before the first.
    """

    def __init__(self, deadline_ns: int | None = None) -> None:
        """
        Args:
            deadline_ns: latest useful answer, or None.
        """
        self._deadline_ns = deadline_ns
        self._counts = np.zeros(_BUCKETS, np.int64)
        self._slices: deque[_Slice] = deque(maxlen=MOST_SLICES)
        self.slowest_ns: int | None = None

    def add(self, elapsed_s: float, reaction_ns: Int64s) -> None:
        """Count some answers.

        Args:
            elapsed_s: when, seconds since the first stimulus.
            reaction_ns: shape (n,), int64, nanoseconds; values below 1 count as 1.
        """
        if reaction_ns.size == 0:
            return
        found, counts = np.unique(bucket_of(reaction_ns), return_counts=True)
        self._counts[found] += counts
        slowest = int(reaction_ns.max())
        self.slowest_ns = slowest if self.slowest_ns is None else max(self.slowest_ns, slowest)
        number = int(elapsed_s // SLICE_S)
        if self._slices and self._slices[-1].number == number:
            last = self._slices[-1]
            buckets = np.union1d(last.buckets, found)
            together = np.zeros(buckets.size, np.int64)
            together[np.searchsorted(buckets, last.buckets)] += last.counts
            together[np.searchsorted(buckets, found)] += counts
            self._slices[-1] = _Slice(number, buckets, together)
        else:
            self._slices.append(_Slice(number, found, counts.astype(np.int64)))

    def rows(self, width: int, histogram_rows: int, strip_rows: int, plain: bool = False) -> list[Text]:
        """The picture.

        Args:
            width: columns, the margin included.
            histogram_rows: for the distribution, at least 1.
            strip_rows: for the strip, at least 1.
            plain: True for a terminal that knows ASCII only.

        Returns:
            The distribution, the axis and the strip; one line in their place before the first answer.
        """
        occupied = np.flatnonzero(self._counts)
        if occupied.size == 0:
            return [Text("the picture starts with the first answers", style="dim")]
        columns = self._columns(occupied, max(10, width - MARGIN))
        deadline = None
        if self._deadline_ns is not None:
            deadline = int(columns.of(bucket_of(np.array([self._deadline_ns])))[0])
        counts = columns.counted(occupied, self._counts[occupied])
        return [
            *_histogram(counts, histogram_rows, deadline, plain),
            _axis(columns, deadline, plain),
            *self._strip(columns, strip_rows, deadline, plain),
        ]

    def _columns(self, occupied: Int64s, width: int) -> _Columns:
        """From the quickest to the slowest answer, the deadline in it; at least a bucket for each column."""
        ends = [int(occupied[0]), int(occupied[-1])]
        if self._deadline_ns is not None:
            ends.append(int(bucket_of(np.array([self._deadline_ns]))[0]))
        first, span = min(ends), max(ends) - min(ends) + 1
        if span < width:
            first, span = max(0, first - (width - span) // 2), width
        return _Columns(first, span, width)

    def _strip(self, columns: _Columns, most: int, deadline: int | None, plain: bool) -> list[Text]:
        first, last = self._slices[0].number, self._slices[-1].number
        each = -(-(last - first + 1) // most)
        count, width = (last - first) // each + 1, columns.width
        row_of = np.repeat(
            [(item.number - first) // each for item in self._slices], [item.buckets.size for item in self._slices]
        )
        column_of = columns.of(np.concatenate([item.buckets for item in self._slices]))
        weights = np.concatenate([item.counts for item in self._slices])
        flat = np.bincount(row_of * width + column_of, weights, minlength=count * width)
        rows = flat.astype(np.int64).reshape(count, width)
        top = np.log(max(2, int(rows.max())))
        lines = []
        for number, row in enumerate(rows):
            levels = np.where(row > 0, 1 + np.minimum(3, 4 * np.log(np.maximum(row, 1)) / top), 0).astype(np.int64)
            shades = _PLAIN_SHADES if plain else _SHADES
            end_s = min((first + (number + 1) * each) * SLICE_S, (last + 1) * SLICE_S)
            lines.append(_row(clock(end_s), [shades[level] for level in levels.tolist()], deadline, plain))
        return lines


def bucket_of(values_ns: Int64s) -> Int64s:
    """The bucket of each value; values below 1 are in the first."""
    buckets: Int64s = np.minimum(_BUCKETS - 1, np.log2(np.maximum(values_ns, 1)) * PER_OCTAVE).astype(np.int64)
    return buckets


def clock(seconds: float) -> str:
    """Time since the start: "0:42", "1:02:03"."""
    whole = int(seconds)
    minutes, rest = divmod(whole, 60)
    return f"{minutes}:{rest:02d}" if minutes < 60 else f"{minutes // 60}:{minutes % 60:02d}:{rest:02d}"


def _histogram(counts: Int64s, rows: int, deadline: int | None, plain: bool) -> list[Text]:
    """Columns that grow with the logarithm of the count: one answer among a million is still a mark of its own."""
    heights = _PLAIN_HEIGHTS if plain else _HEIGHTS
    top = np.log10(int(counts.max())) + 1
    level = np.where(counts > 0, np.maximum(1, (np.log10(np.maximum(counts, 1)) + 1) / top * rows * 8), 0)
    lines = []
    for row in reversed(range(rows)):
        eighths = np.clip(np.rint(level - 8 * row), 0, 8).astype(np.int64).tolist()
        label = f"{int(counts.max()):,}" if row == rows - 1 else ""
        lines.append(_row(label, [heights[eighth] for eighth in eighths], deadline, plain))
    return lines


def _axis(columns: _Columns, deadline: int | None, plain: bool) -> Text:
    """Times under their columns, as many as there is room for; the deadline by name."""
    tick = "|" if plain else "╵"
    line = [" "] * columns.width
    if deadline is not None:
        words = f"{tick}deadline"
        _write(line, min(deadline, columns.width - len(words)) if deadline + len(words) > columns.width else deadline,
               words)  # fmt: skip
    for value_ns in _round_times(columns):
        place = int(columns.of(bucket_of(np.array([value_ns])))[0])
        _write(line, place, f"{tick}{exactly(value_ns)}")
    return Text(f"{'':{MARGIN}}{''.join(line)}", style="dim")


def _write(line: list[str], place: int, words: str) -> None:
    """Put words where nothing stands yet, a space on both sides; else leave them out."""
    end = place + len(words)
    if place >= 0 and end <= len(line) and not "".join(line[max(0, place - 1) : end + 1]).strip():
        line[place:end] = words


def _round_times(columns: _Columns) -> list[int]:
    """Round times on the axis: powers of ten, and where these are few also 2 and 5 times them."""
    low, high = 2 ** (columns.first / PER_OCTAVE), 2 ** ((columns.first + columns.span) / PER_OCTAVE)
    powers = [10**power for power in range(19)]
    for factors in ((1,), (1, 2, 5), tuple(range(1, 10)), tuple(range(10, 100))):
        unit = 10 if factors[0] == 10 else 1
        found = [f * power // unit for power in powers for f in factors if low <= f * power / unit < high]
        if len(found) >= 3:
            return found
    return found


def _row(label: str, cells: list[str], deadline: int | None, plain: bool) -> Text:
    if deadline is not None and not cells[deadline].strip():
        cells[deadline] = "|" if plain else "┊"
    line = Text(f"{label[: MARGIN - 1]:>{MARGIN - 1}} ", style="dim")
    if deadline is None:
        line.append("".join(cells), style="not dim cyan")
        return line
    line.append("".join(cells[:deadline]), style="not dim cyan")
    line.append("".join(cells[deadline]), style="not dim bold")
    line.append("".join(cells[deadline + 1 :]), style="not dim red")
    return line
