"""Samples of a table in text, streamed in blocks and cut into segments."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np
import pyarrow as pa
from pyarrow import csv

from edgereply.errors import DataError
from edgereply.exchange.imports.csv_layout import CsvLayout, find_layout, find_times
from edgereply.exchange.imports.csv_table import as_text
from edgereply.exchange.imports.csv_words import UNKNOWN_LEVELS, is_number, is_unknown
from edgereply.exchange.imports.files import Progress, check_file, line_blocks, no_progress
from edgereply.exchange.imports.samples import TIME_APART, Columns, Cutter, SampleFile, Samples, Times

_INFINITE = re.compile("∞".encode())
_BETWEEN = re.compile(rb"^\s*(?:$|[#;%!]|\"?(?:segment|frame|waveform|acquisition|trigger)\b)", re.IGNORECASE)
_SAMPLE, _BREAK, _NO_VALUES, _HALF = range(4)
_REMEDY: Final = "correct or remove the line; was the file cut off while it was written?"


def open_csv(path: Path, interval_ns: float | None = None, times: Times | None = None) -> SampleFile:
    """A text with a table of numbers.

    A segment ends at a blank line, at lines of the header that are repeated and at lines that name a segment, unless
    time goes on after them as before. Rows without values are left out and counted; where some values are missing, only
    the last rows are.

    Args:
        path: of the file.
        interval_ns: between samples, in place of what the file says.
        times: of each row, where they stand in a file of their own.

    Raises:
        DataError: no table of numbers, no time axis, or no channel.
    """
    size = check_file(path)
    layout = find_layout(path, interval_ns, times)

    def samples(file: SampleFile, tell: Progress) -> Iterator[Samples]:
        cutter, rows = Cutter(path, layout), 0
        for line, columns in _Lines(file, layout).runs(tell):
            if columns is not None and times is not None:
                begin, rows = rows, rows + len(next(iter(columns.values())))
                times.check(path, rows, at_least=True)
                columns[TIME_APART] = times.at_ns[begin:rows] / times.unit_ns
            yield from cutter.cut(line, columns)
        if times is not None:
            times.check(path, rows)

    return SampleFile(path, size, layout, samples)


def read_times(path: Path) -> Times:
    """A text with the time of each sample and nothing else.

    Raises:
        DataError: no table of numbers, or more than one column of times.
    """
    size = check_file(path)
    layout = find_times(path)

    def samples(file: SampleFile, tell: Progress) -> Iterator[Samples]:
        cutter = Cutter(path, layout)
        for line, columns in _Lines(file, layout).runs(tell):
            yield from cutter.cut(line, columns)

    parts = [part.time_ns for part in SampleFile(path, size, layout, samples).read(no_progress)]
    return Times(path, np.concatenate([np.empty(0), *parts]), layout.unit_ns, layout.digits)


class _Lines:
    """Stretches of sample lines as columns."""

    def __init__(self, file: SampleFile, layout: CsvLayout) -> None:
        self._file, self._path, self._layout = file, file.path, layout
        self._header = {line.strip().encode() for line in layout.header}
        self._half: DataError | None = None

    def runs(self, tell: Progress) -> Iterator[tuple[int, Columns | None]]:
        """Columns by the number of their first line; None for what parts segments.

        Raises:
            DataError: a line is no sample.
        """
        for line, block in line_blocks(self._path, tell):
            if line == 1:
                block = block.removeprefix(b"\xef\xbb\xbf")
            skip = max(0, self._layout.first_line - line)
            lines_before = 0
            while skip and block:
                cut = block.find(b"\n") + 1 or len(block)
                block, skip, lines_before = block[cut:], skip - 1, lines_before + 1
            if block:
                yield from self._block(line + lines_before, block)

    def _block(self, line: int, block: bytes) -> Iterator[tuple[int, Columns | None]]:
        if b"\n\n" not in block and b"\n\r\n" not in block and not block.startswith((b"\n", b"\r\n")):
            columns = _parse(self._layout, block)
            if columns is not None:
                self._go_on()
                yield line, columns
                return
        numbered = enumerate(block.splitlines(keepends=True), line)
        for what, group in groupby(numbered, lambda item: self._what(item[1])):
            items = list(group)
            start = items[0][0]
            if what == _HALF:
                self._half = self._half or _first_wrong(self._path, self._layout, items)
            if what in (_HALF, _NO_VALUES):
                self._file.without_values += len(items)
            if what != _SAMPLE:
                yield start, None
                continue
            self._go_on()
            columns = _parse(self._layout, b"".join(text for _, text in items))
            if columns is None:
                raise _first_wrong(self._path, self._layout, items)
            yield start, columns

    def _go_on(self) -> None:
        """Samples follow: a row before them that lacks some values is not one of the last."""
        if self._half is not None:
            raise self._half

    def _what(self, line: bytes) -> int:
        if line.strip() in self._header or _BETWEEN.match(line) is not None:
            return _BREAK
        delimiter = self._layout.delimiter.encode()
        cells = [cell.strip(b' \t\r\n"') for cell in line.split(delimiter)]
        if not any(cells):
            return _NO_VALUES
        if len(cells) != self._layout.width:
            return _SAMPLE
        blank = [not cells[column] for column, _ in self._layout.channels.values()]
        if not any(blank):
            return _SAMPLE
        return _NO_VALUES if all(blank) else _HALF


def _parse(layout: CsvLayout, block: bytes) -> Columns | None:
    """The wanted columns of some lines; None where a line does not fit."""
    wanted = {column for column, _ in layout.channels.values()} | {layout.time, layout.segment} - {TIME_APART}
    columns = sorted(column for column in wanted if column is not None)
    logic = {layout.channels[name][0] for name in layout.logic}
    names = [str(number) for number in range(layout.width)]
    options = csv.ConvertOptions(
        column_types={str(column): pa.float64() for column in columns},
        include_columns=[str(column) for column in columns],
        null_values=list(UNKNOWN_LEVELS) if logic else [],
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
    for column, values in found.items():
        unknown = table[str(column)].null_count if column in logic else 0
        if np.count_nonzero(np.isnan(values)) != unknown or table[str(column)].null_count != unknown:
            return None
    return found


def _first_wrong(path: Path, layout: CsvLayout, items: list[tuple[int, bytes]]) -> DataError:
    """Which line does not fit, and how."""
    for number, raw in items:
        text = as_text(raw).strip("\r\n")
        cells = text.split(layout.delimiter)
        where = f"{path}:{number}"
        if len(cells) != layout.width:
            return DataError(f"line {number} has {len(cells)} fields, not {layout.width}", where=where, remedy=_REMEDY)
        wanted = {"time": layout.time, "segment": layout.segment}
        wanted |= {name: column for name, (column, _) in layout.channels.items()}
        for name, column in wanted.items():
            if column is None or column == TIME_APART:
                continue
            said = cells[column].strip().strip('"')
            if not is_number(said, layout.decimal) and not (name in layout.logic and is_unknown(said)):
                return DataError(f"line {number}: {said[:40]!r} is no number for {name}", where=where, remedy=_REMEDY)
    return DataError(
        f"a line from {items[0][0]} to {items[-1][0]} cannot be read", where=f"{path}:{items[0][0]}",
        remedy="correct or remove it",
    )  # fmt: skip
