"""What the columns of an oscilloscope CSV are: time axis, channels, units, segments."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from edgereply.errors import DataError
from edgereply.exchange.imports.csv_table import CsvTable, find_table
from edgereply.exchange.imports.csv_words import (
    TIME_UNITS,
    VOLT_UNITS,
    bare_unit,
    is_number,
    is_unit,
    means_count,
    means_interval,
    means_segment,
    means_start,
    means_time,
    split_unit,
    stated_interval_ns,
    stated_start_ns,
)

_UNIT_NAMES = {1e9: "s", 1e6: "ms", 1e3: "µs", 1.0: "ns", 1e-3: "ps"}
_SEPARATOR_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma"}


@dataclass(frozen=True, slots=True)
class CsvLayout:
    """How to read one file.

    Attributes:
        delimiter, decimal: of every line.
        width: fields a line of data.
        first_line: of the data, from 1.
        time: index of the time column; None where time is start and increment.
        segment: index of a column that numbers segments, or None.
        channels: by name, index of the column and volts a unit.
        unit_ns: nanoseconds a unit of the time column.
        start_ns, interval_ns: of the first sample and between samples, where there is no time column.
        header: the lines before the data, as they stand.
        doubts: what was taken for granted.
    """

    delimiter: str
    decimal: str
    width: int
    first_line: int
    time: int | None
    segment: int | None
    channels: dict[str, tuple[int, float]]
    unit_ns: float
    start_ns: float
    interval_ns: float
    header: tuple[str, ...]
    doubts: tuple[str, ...]

    def words(self) -> dict[str, str]:
        """The layout as the preview shows it."""
        axis = f"a sample each {self.interval_ns:g} ns, as the header or --interval says"
        if self.time is not None:
            axis = f"column {self.time + 1}, in {_UNIT_NAMES[self.unit_ns]}"
        found = {
            "separator": _SEPARATOR_NAMES[self.delimiter],
            "decimal mark": "comma" if self.decimal == "," else "point",
            "data from line": str(self.first_line),
            "time": axis,
        }
        return found | ({} if self.segment is None else {"segments": f"numbered in column {self.segment + 1}"})


def find_layout(path: Path, interval_ns: float | None = None) -> CsvLayout:
    """Find the layout of a file.

    Args:
        path: of the file.
        interval_ns: between samples, in place of what the file says.

    Raises:
        DataError: no table of numbers, no time axis, or no channel.
    """
    table = find_table(path)
    first = table.data[0]
    names, units = _titles(table, first)
    start_ns, stated_ns = _start_and_interval(table)
    if interval_ns is not None:
        stated_ns = interval_ns
    segment = next((c for c in table.numeric if means_segment(names[c])), None)
    left = [c for c in table.numeric if c != segment and not means_start(names[c]) and not means_interval(names[c])]
    time = _time_column(table, left, names, units, stated_ns, f"{path}:{first + 1}")
    left = [c for c in left if c != time and not (c == left[0] and _counts(table, c))]
    if not left:
        raise DataError("there is no channel beside the time", where=f"{path}:{first + 1}", remedy="export a channel")
    doubts, unit_ns = [], 1e9
    if time is not None:
        unit_ns = TIME_UNITS.get(bare_unit(units[time]), 0.0)
        if not unit_ns:
            unit_ns = 1e9
            doubts.append("no unit of time is written: seconds are taken")
        doubts += _against(table.column(time), unit_ns, stated_ns)
    channels: dict[str, tuple[int, float]] = {}
    for column in left:
        name = _unused(names[column] or f"column {column + 1}", channels)
        channels[name] = column, VOLT_UNITS.get(bare_unit(units[column]), 1.0)
    bare = [name for name, (column, _) in channels.items() if bare_unit(units[column]) not in VOLT_UNITS]
    doubts += [f"no unit of volts is written for {', '.join(bare)}: volts are taken"] if bare else []
    return CsvLayout(
        table.delimiter, table.decimal, table.width, first + 1, time, segment, channels, unit_ns, start_ns,
        stated_ns or 0.0, tuple(table.lines[:first]), tuple(doubts),
    )  # fmt: skip


def _titles(table: CsvTable, first: int) -> tuple[list[str], list[str]]:
    """Names and units of the columns from the lines right above the data; "" where there are none."""
    names, units = [""] * table.width, [""] * table.width
    for row in reversed(table.rows[max(0, first - 3) : first]):
        cells = [(row[c] if c < len(row) else "") for c in range(table.width)]
        words = [cells[c] for c in table.numeric if cells[c]]
        if not words or any(is_number(word, table.decimal) for word in words):
            continue
        if not any(units) and all(is_unit(word) or means_count(word) for word in words):
            units = [cell if is_unit(cell) else "" for cell in cells]
            continue
        split = [split_unit(cell) for cell in cells]
        names = [name for name, _ in split]
        return names, [unit or below for (_, unit), below in zip(split, units, strict=True)]
    return names, units


def _start_and_interval(table: CsvTable) -> tuple[float, float | None]:
    """What the header states: beside its key, below its title, or as "key: value" in one field."""
    start, interval = 0.0, None
    for number, row in enumerate(table.rows):
        below = table.rows[number + 1] if number + 1 < len(table.rows) else []
        for column, key in enumerate(row):
            if is_number(key, table.decimal):
                continue
            beside = row[column + 1 : column + 3]
            values = ["".join(beside) if len(beside) == 2 and is_unit(beside[1]) else "".join(beside[:1])]
            values += below[column : column + 1]
            for mark in (":", "="):
                before, found, after = key.partition(mark)
                if found and after.strip():
                    key, values = before, [after]
            for value in values:
                text = value.replace(",", ".") if table.decimal == "," else value
                interval = interval or stated_interval_ns(key, text)
                start = start or stated_start_ns(key, text) or 0.0
    return start, interval


def _time_column(
    table: CsvTable, left: list[int], names: list[str], units: list[str], stated_ns: float | None, where: str
) -> int | None:
    """The time column; None where time is start and increment."""
    named = [c for c in left if bare_unit(units[c]) in TIME_UNITS or means_time(names[c])]
    if named and not (stated_ns and _counts(table, named[0])):
        return named[0]
    if len(left) > 1 and not means_count(names[left[0]]) and not _counts(table, left[0]) and _goes_on(table, left[0]):
        return left[0]
    if stated_ns:
        return None
    raise DataError(
        "there is no time axis: no time column, and the header states no interval between samples",
        where=where,
        remedy="give the interval with --interval 1us, or export the time as the first column",
    )


def _goes_on(table: CsvTable, column: int) -> bool:
    """Whether a column rises like time, a little all along, and not like a voltage, in a few steps."""
    values = table.column(column)
    return all(a <= b for a, b in pairwise(values)) and len(set(values)) >= max(3, len(values) // 20)


def _counts(table: CsvTable, column: int) -> bool:
    """Whether a column counts samples: whole numbers, one more each line."""
    values = table.column(column)[:1000]
    return len(values) > 2 and all(a.is_integer() and b == a + 1 for a, b in pairwise(values))


def _against(times: list[float], unit_ns: float, stated_ns: float | None) -> list[str]:
    steps = sorted(b - a for a, b in pairwise(times) if b > a)
    if stated_ns is None or not steps:
        return []
    measured = steps[len(steps) // 2] * unit_ns
    if abs(measured - stated_ns) <= 0.02 * stated_ns:
        return []
    return [
        f"the header states {stated_ns:g} ns between samples, the time column has {measured:g} ns: the column counts"
    ]


def _unused(name: str, taken: dict[str, tuple[int, float]]) -> str:
    number = 2
    found = name
    while found in taken:
        found, number = f"{name} ({number})", number + 1
    return found
