"""Where the table of numbers is in a text file: its separator, decimal mark, width, first line and numeric columns."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import DataError
from edgereply.exchange.imports.csv_words import is_level, is_number, is_unknown
from edgereply.exchange.imports.files import LONGEST_LINE, head_of, too_long

HEAD_BYTES = 256 << 10
MOST_LINES = 800
MOST_COLUMNS = 64
_MOSTLY = 0.9
# A comma between numbers is the separator unless something else separates.
_SEPARATORS = (("\t", "."), ("\t", ","), (";", "."), (";", ","), (",", "."))


@dataclass(frozen=True, slots=True)
class CsvTable:
    """The head of a file as a table.

    Attributes:
        delimiter, decimal: of its lines.
        rows: fields of every line of the head, stripped of blanks and quotation marks.
        lines: the lines as they stand.
        data: indices of the lines that hold data.
        width: fields a line of data.
        numeric: columns that hold a number in each of them, or a logic level.
        logic: those of them that hold nothing but logic levels, unknown ones too.
    """

    delimiter: str
    decimal: str
    rows: list[list[str]]
    lines: list[str]
    data: list[int]
    width: int
    numeric: list[int]
    logic: list[int]

    def value(self, row: int, column: int) -> float:
        """A number of the table; NaN for an unknown level."""
        text = self.rows[row][column]
        if is_unknown(text):
            return math.nan
        return float((text.replace(",", ".") if self.decimal == "," else text).replace("∞", "inf"))

    def column(self, column: int) -> list[float]:
        """The head's numbers of one column."""
        return [self.value(row, column) for row in self.data]


def find_table(path: Path) -> CsvTable:
    """Find the table of numbers by the first lines of a file.

    Raises:
        DataError: there is none, or the file is not text.
    """
    lines = _head_lines(path)
    found = table_of(lines)
    if found is None:
        raise DataError(
            f"there is no table of numbers within the first {len(lines)} lines",
            where=f"{path}:1",
            remedy="export time and volts as columns, separated by comma, semicolon or tab",
        )
    return found


def table_of(lines: list[str]) -> CsvTable | None:
    """The table of numbers in some lines of text, by the separator and decimal mark that make most of it; or None."""
    found = [table for separators in _SEPARATORS if (table := _table(lines, *separators)) is not None]
    return max(found, key=lambda table: (len(table.numeric) > 1, len(table.data), len(table.numeric)), default=None)


def _head_lines(path: Path) -> list[str]:
    head = head_of(path, HEAD_BYTES)
    if head.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in head:
        raise DataError(
            "the file is UTF-16 or binary", where=f"{path}:1", remedy="export it as plain CSV (UTF-8 or Latin-1)"
        )
    raw = head.removeprefix(b"\xef\xbb\xbf").split(b"\n")
    for number, line in enumerate(raw, 1):
        if len(line) > LONGEST_LINE:
            raise too_long(path, number)
    if len(head) == HEAD_BYTES and len(raw) > 1:
        raw.pop()
    return [as_text(line).rstrip("\r") for line in raw[:MOST_LINES]]


def as_text(line: bytes) -> str:
    """A line in the encoding it seems to have."""
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return line.decode("latin-1")


def _table(lines: list[str], delimiter: str, decimal: str) -> CsvTable | None:
    rows = [[cell.strip().strip('"').strip() for cell in line.split(delimiter)] for line in lines]
    numbers = [sum(is_number(cell, decimal) for cell in row) for row in rows]
    widths = Counter(len(row) for row, count in zip(rows, numbers, strict=True) if count and len(row) <= MOST_COLUMNS)
    if not widths:
        return None
    width = max(widths, key=lambda size: (widths[size], size))
    shaped = [n for n, row in enumerate(rows) if len(row) == width and numbers[n]]
    # Some instruments end with rows that have a time and no values, or neither.
    usual = Counter(numbers[n] for n in shaped).most_common(1)[0][0]
    while len(shaped) > 1 and numbers[shaped[-1]] < usual and not all(rows[shaped[-1]]):
        shaped.pop()
    # What stands beside the first lines of data in some layouts describes the file; the last half is data alone.
    sure = shaped[len(shaped) // 2 :]
    logic = [c for c in range(width) if _are_levels([rows[n][c] for n in sure])]
    numeric = [c for c in range(width) if c in logic or _are_numbers([rows[n][c] for n in sure], decimal)]
    data = [n for n in shaped if all(is_number(rows[n][c], decimal) or _unknown(rows[n][c], c, logic) for c in numeric)]
    logic = [c for c in logic if all(is_level(rows[n][c]) for n in data)]
    return CsvTable(delimiter, decimal, rows, lines, data, width, numeric, logic) if numeric and data else None


def _are_numbers(cells: list[str], decimal: str) -> bool:
    """Whether a column holds numbers; one that is missing here and there is said with its line when all are read."""
    numbers = sum(is_number(cell, decimal) for cell in cells)
    return numbers >= _MOSTLY * len(cells) and numbers + cells.count("") == len(cells)


def _unknown(cell: str, column: int, logic: list[int]) -> bool:
    return column in logic and is_unknown(cell)


def _are_levels(cells: list[str]) -> bool:
    return all(is_level(cell) for cell in cells) and not all(is_unknown(cell) for cell in cells)
