"""Samples of an oscilloscope CSV, streamed in blocks and cut into segments."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from pyarrow import csv

from edgereply.analysis.arrays.aliases import Floats
from edgereply.errors import DataError
from edgereply.exchange.imports.csv_layout import CsvLayout
from edgereply.exchange.imports.csv_table import as_text
from edgereply.exchange.imports.csv_words import is_number
from edgereply.exchange.imports.files import Progress, line_blocks, no_progress

MOST_SEGMENTS: Final = 100_000
MOST_NS: Final = 1e18
_INFINITE = re.compile("∞".encode())
_BETWEEN = re.compile(rb"^\s*(?:$|[#;%!]|\"?(?:segment|frame|waveform|acquisition|trigger)\b)", re.IGNORECASE)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Samples of one segment that were read in one go.

    Attributes:
        segment: number of the segment within the file, from 0.
        time_ns: shape (n,), float64; counts of samples from the segment's start where the file has no time column.
        values: by channel, shape (n,), float64 volts.
        line: of the first sample.
    """

    segment: int
    time_ns: Floats
    values: dict[str, Floats]
    line: int


def read_samples(path: Path, layout: CsvLayout, tell: Progress = no_progress) -> Iterator[Samples]:
    """Read a file's samples.

    A segment ends at a blank line, at lines of the header that are repeated and at lines that name a segment, unless
    time goes on after them as before; where the segment column changes; and where time goes back by at least half of
    what the segment has lasted.

    Args:
        path: of the file.
        layout: of the file.
        tell: progress.

    Yields:
        Samples in the file's order, never of two segments at once.

    Raises:
        DataError: a line is no sample, time stands still or goes back a little, or there are too many segments; with
            the number of the line.
    """
    cutter = _Cutter(path, layout)
    header = {line.strip().encode() for line in layout.header}
    for line, block in line_blocks(path, tell):
        if line == 1:
            block = block.removeprefix(b"\xef\xbb\xbf")
        skip = max(0, layout.first_line - line)
        lines_before = 0
        while skip and block:
            cut = block.find(b"\n") + 1 or len(block)
            block, skip, lines_before = block[cut:], skip - 1, lines_before + 1
        for start, rows in _runs(path, layout, line + lines_before, block, header):
            yield from cutter.cut(start, rows)


def _runs(
    path: Path, layout: CsvLayout, line: int, block: bytes, header: set[bytes]
) -> Iterator[tuple[int, dict[int, Floats] | None]]:
    """Stretches of sample lines as columns, by the number of their first line; None for what parts segments."""
    if not block:
        return
    if b"\n\n" not in block and b"\n\r\n" not in block and not block.startswith((b"\n", b"\r\n")):
        columns = _parse(layout, block)
        if columns is not None:
            yield line, columns
            return
    numbered = enumerate(block.splitlines(keepends=True), line)
    for between, group in groupby(numbered, lambda item: _parts(item[1], header)):
        items = list(group)
        start = items[0][0]
        if between:
            yield start, None
            continue
        columns = _parse(layout, b"".join(text for _, text in items))
        if columns is None:
            raise _first_wrong(path, layout, items)
        yield start, columns


def _parts(line: bytes, header: set[bytes]) -> bool:
    return line.strip() in header or _BETWEEN.match(line) is not None


def _parse(layout: CsvLayout, block: bytes) -> dict[int, Floats] | None:
    """The wanted columns of some lines; None where a line does not fit."""
    wanted = {column for column, _ in layout.channels.values()} | {layout.time, layout.segment}
    columns = sorted(column for column in wanted if column is not None)
    names = [str(number) for number in range(layout.width)]
    options = csv.ConvertOptions(
        column_types={str(column): pa.float64() for column in columns},
        include_columns=[str(column) for column in columns],
        null_values=[],
        decimal_point=layout.decimal,
    )
    try:
        table = csv.read_csv(
            pa.py_buffer(_INFINITE.sub(b"inf", block)),
            read_options=csv.ReadOptions(column_names=names, use_threads=False, block_size=len(block) + 64),
            parse_options=csv.ParseOptions(delimiter=layout.delimiter),
            convert_options=options,
        )
    except pa.ArrowInvalid:
        return None
    found = {column: np.asarray(table[str(column)].to_numpy(), np.float64) for column in columns}
    return None if any(np.isnan(values).any() for values in found.values()) else found


def _first_wrong(path: Path, layout: CsvLayout, items: list[tuple[int, bytes]]) -> DataError:
    """Which line does not fit, and how."""
    for number, raw in items:
        text = as_text(raw).strip("\r\n")
        cells = text.split(layout.delimiter)
        where = f"{path}:{number}"
        remedy = "correct or remove the line; was the file cut off while it was written?"
        if len(cells) != layout.width:
            return DataError(f"line {number} has {len(cells)} fields, not {layout.width}", where=where, remedy=remedy)
        wanted = {"time": layout.time, "segment": layout.segment}
        wanted |= {name: column for name, (column, _) in layout.channels.items()}
        for name, column in wanted.items():
            if column is not None and not is_number(cells[column].strip().strip('"'), layout.decimal):
                said = cells[column].strip()[:40]
                return DataError(f"line {number}: {said!r} is no number for {name}", where=where, remedy=remedy)
    return DataError(
        f"a line from {items[0][0]} to {items[-1][0]} cannot be read", where=f"{path}:{items[0][0]}",
        remedy="correct or remove it",
    )  # fmt: skip


class _Cutter:
    """Cuts columns into segments and checks that time goes on."""

    def __init__(self, path: Path, layout: CsvLayout) -> None:
        self._path, self._layout = path, layout
        self._segment = -1
        self._rows = 0
        self._first = self._last = self._step = 0.0
        self._number: float | None = None
        self._parted = False

    def cut(self, line: int, columns: dict[int, Floats] | None) -> Iterator[Samples]:
        """Samples of a stretch of lines, cut where a segment ends."""
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

    def _take(self, line: int, columns: dict[int, Floats], begin: int, end: int) -> Samples:
        layout = self._layout
        if layout.time is None:
            time = np.arange(self._rows, self._rows + end - begin, dtype=np.float64)
        else:
            time = columns[layout.time][begin:end]
            if not np.abs(time).max() <= MOST_NS / layout.unit_ns:
                at = line + begin + int(np.argmax(np.abs(time)))
                raise DataError(
                    f"a time near line {at} is no time of an oscilloscope", where=f"{self._path}:{at}",
                    remedy="is the unit of time in the header right? Correct or remove the line",
                )  # fmt: skip
            time = time * layout.unit_ns
            if self._rows and time[0] < self._last:
                if self._last - time[0] < (self._last - self._first) / 2:
                    raise DataError(
                        f"line {line + begin}: time goes back by {self._last - time[0]:g} ns",
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
