"""What the columns of a table in text are: time axis, channels, units, segments."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from edgereply.errors import DataError
from edgereply.exchange.imports.csv_table import CsvTable, find_table
from edgereply.exchange.imports.csv_words import (
    TIME_UNITS,
    VOLT_UNITS,
    bare_unit,
    is_nameless,
    is_number,
    is_unit,
    means_count,
    means_horizontal_unit,
    means_interval,
    means_segment,
    means_source,
    means_start,
    means_time,
    means_vertical_unit,
    split_unit,
    stated_interval_ns,
    stated_start_ns,
)
from edgereply.exchange.imports.samples import TIME_APART, UNIT_NAMES, Digits, TableLayout, Times
from edgereply.wording.numbers import clean

_SEPARATOR_NAMES = {"\t": "tab", ";": "semicolon", ",": "comma"}
# How near two statements of one interval must be: instruments print it with three digits, or compute it in float32.
_ALIKE = 0.02
_PRINTED = re.compile(r"[+-]?\d*(?:[.,](\d*))?(e)?.*", re.I)


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvLayout(TableLayout):
    """How to read one text file.

    Attributes:
        delimiter, decimal: of every line.
        width: fields a line of data.
        first_line: of the data, from 1.
    """

    delimiter: str
    decimal: str
    width: int
    first_line: int


@dataclass(slots=True)
class _Titles:
    """Names and units of the columns; "" where none is written."""

    names: list[str]
    units: list[str]
    doubts: list[str] = field(default_factory=list)


def find_layout(path: Path, interval_ns: float | None = None, apart: Times | None = None) -> CsvLayout:
    """Find the layout of a file.

    Args:
        path: of the file.
        interval_ns: between samples, in place of what the file says.
        apart: the times, where they stand in a file of their own.

    Raises:
        DataError: no table of numbers, no time axis, or no channel.
    """
    table = find_table(path)
    first = table.data[0]
    titles = _titles(table, first)
    names, units = titles.names, titles.units
    usual = next((unit for unit in _beside_all(table, first, means_horizontal_unit) if _is_time(unit)), "")
    start_ns, stated_ns = _start_and_interval(table, bare_unit(usual) or "s")
    forced = interval_ns is not None
    stated_ns = interval_ns if forced else stated_ns
    segment = next((c for c in table.numeric if means_segment(names[c])), None)
    left = [c for c in table.numeric if c != segment and not means_start(names[c]) and not means_interval(names[c])]
    where = f"{path}:{first + 1}"
    time = TIME_APART if apart is not None else _time_column(table, left, titles, stated_ns, where)
    left = [c for c in left if c != time and not (c == left[0] and _counts(table, c))]
    unit_ns = 1e9
    if apart is not None:
        unit_ns = apart.unit_ns
    elif time is not None:
        left = _one_axis(table, left, titles, time, where)
        unit_ns = _time_unit_ns(table, time, titles, usual, None if forced else stated_ns)
        titles.doubts += [] if forced else _against(table.column(time), unit_ns, stated_ns)
    if not left:
        raise DataError(
            "there is no channel beside the time", where=where,
            remedy="export a channel too, or give this file as --time-file to the one with the values",
        )  # fmt: skip
    _from_header(table, first, left, titles)
    channels: dict[str, tuple[int, float]] = {}
    logic = set()
    for column in left:
        name = _unused(names[column] or f"column {column + 1}", channels)
        channels[name] = column, VOLT_UNITS.get(bare_unit(units[column]), 1.0)
        if column in table.logic and bare_unit(units[column]) not in VOLT_UNITS:
            logic.add(name)
    bare = [n for n, (column, _) in channels.items() if bare_unit(units[column]) not in VOLT_UNITS and n not in logic]
    titles.doubts += [f"no unit of volts is written for {', '.join(bare)}: volts are taken"] if bare else []
    return CsvLayout(
        kind="logic CSV" if len(logic) == len(channels) else "oscilloscope CSV",
        delimiter=table.delimiter,
        decimal=table.decimal,
        width=table.width,
        first_line=first + 1,
        time=time,
        segment=segment,
        channels=channels,
        logic=frozenset(logic),
        unit_ns=unit_ns,
        start_ns=start_ns if time is None else 0.0,
        interval_ns=stated_ns or 0.0,
        forced=forced,
        digits=apart.digits if apart is not None else _digits(table, time),
        topics=_topics(table, first, names),
        header=tuple(table.lines[:first]),
        doubts=tuple(titles.doubts),
    )


def find_times(path: Path) -> CsvLayout:
    """Layout of a file that holds nothing but the time of each sample; its one channel is that column.

    Raises:
        DataError: no table of numbers, or more than one column of times.
    """
    table = find_table(path)
    first = table.data[0]
    titles = _titles(table, first)
    named = [c for c in table.numeric if _is_time(titles.units[c]) or means_time(titles.names[c])] or table.numeric
    if len(named) > 1:
        raise DataError(
            f"{len(named)} columns may be the time", where=f"{path}:{first + 1}",
            remedy="give a file with one column of times, a line for each line of values",
        )  # fmt: skip
    time = named[0]
    usual = next((unit for unit in _beside_all(table, first, means_horizontal_unit) if _is_time(unit)), "")
    unit_ns = _time_unit_ns(table, time, titles, usual, None)
    return CsvLayout(
        kind="times", delimiter=table.delimiter, decimal=table.decimal, width=table.width, first_line=first + 1,
        time=time, channels={"time": (time, 1.0)}, unit_ns=unit_ns, digits=_digits(table, time),
        header=tuple(table.lines[:first]), doubts=tuple(titles.doubts),
    )  # fmt: skip


def _topics(table: CsvTable, first: int, names: list[str]) -> dict[str, str]:
    found = {
        "separator": _SEPARATOR_NAMES[table.delimiter],
        "decimal mark": "comma" if table.decimal == "," else "point",
        "data from line": str(first + 1),
    }
    texts = [
        clean(names[c], 40)
        for c in range(table.width)
        if c not in table.numeric and names[c] and any(table.rows[n][c] for n in table.data)
    ]
    return found | ({"left out, not numbers": ", ".join(texts[:20])} if texts else {})


def _titles(table: CsvTable, first: int) -> _Titles:
    """Names and units of the columns from the lines right above the data.

    Titles may be numbers ("x-axis,1,2") where a line of units stands below them or a word beside them.
    """
    names, units = [""] * table.width, [""] * table.width
    for row in reversed(table.rows[max(0, first - 3) : first]):
        cells = [(row[c] if c < len(row) else "") for c in range(table.width)]
        words = [cells[c] for c in table.numeric if cells[c]]
        if not words or any(_describes(cell) and _is_key(table, c) for c, cell in enumerate(row)):
            continue
        if not any(units) and all(is_unit(word) or means_count(word) for word in words):
            units = [bare_unit(cell) if is_unit(cell) else "" for cell in cells]
            continue
        numbers = [word for word in words if is_number(word, table.decimal)]
        if numbers and not (all(word.isdigit() for word in numbers) and (any(units) or means_time(words[0]))):
            continue
        split = [split_unit(cell) for cell in cells]
        names = [name for name, _ in split]
        return _Titles(names, [unit or below for (_, unit), below in zip(split, units, strict=True)])
    return _Titles(names, units)


def _describes(cell: str) -> bool:
    """Whether a cell is the key of a line about the channels, such as "Vertical Units,mV,V"."""
    return means_source(cell) or means_vertical_unit(cell) or means_horizontal_unit(cell)


def _is_key(table: CsvTable, column: int) -> bool:
    """Whether a key may stand in a column: not above a channel's values, where it is a title ("Source" of a switch)."""
    return column not in table.numeric or _goes_on(table, column)


def _from_header(table: CsvTable, first: int, channels: list[int], titles: _Titles) -> None:
    """Names and units of channels from lines such as "Source,CH1" and "Vertical Units,V", above or beside the data."""
    for column in channels:
        own = [key for key in _keys(table, first, means_source) if key[1] < column]
        name = _value_for(table, first, column, own)
        nearest = max((key[1] for key in own), default=0)
        beyond = min((key[1] for key in _keys(table, first, means_source) if key[1] > column), default=table.width)
        alone = sum(nearest < other < beyond for other in channels) == 1
        if name and is_nameless(titles.names[column]) and (alone or _aligned(table, first, column, own)):
            titles.names[column] = name
        unit = _value_for(table, first, column, [k for k in _keys(table, first, means_vertical_unit) if k[1] < column])
        if unit and not titles.units[column]:
            titles.units[column] = bare_unit(unit)


def _keys(table: CsvTable, first: int, means: Callable[[str], bool]) -> list[tuple[int, int]]:
    """Row and column of every cell with a key; beside the data only left of the numbers."""
    return [
        (number, column)
        for number, row in enumerate(table.rows)
        for column, cell in enumerate(row)
        if cell and means(cell) and (number < first or column not in table.numeric) and _is_key(table, column)
    ]


def _aligned(table: CsvTable, first: int, column: int, keys: list[tuple[int, int]]) -> str:
    """What stands above a column in the line of a key; "" where the line has no more than one value."""
    for number, key in keys:
        row = table.rows[number]
        if number < first and key < column < len(row) and row[column] and sum(map(bool, row[key + 1 :])) > 1:
            return row[column]
    return ""


def _value_for(table: CsvTable, first: int, column: int, keys: list[tuple[int, int]]) -> str:
    """The value above a column, or else beside the nearest key to the left of it."""
    if above := _aligned(table, first, column, keys):
        return above
    if not keys:
        return ""
    number, key = max(keys, key=lambda item: item[1])
    row = table.rows[number]
    return row[key + 1] if key + 1 < len(row) and key + 1 not in (set(table.numeric) if number >= first else ()) else ""


def _beside_all(table: CsvTable, first: int, means: Callable[[str], bool]) -> list[str]:
    keys = [(number, key) for number, key in _keys(table, first, means) if key + 1 < len(table.rows[number])]
    return [table.rows[number][key + 1] for number, key in keys]


def _start_and_interval(table: CsvTable, usual: str) -> tuple[float, float | None]:
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
                interval = interval or stated_interval_ns(key, text, usual)
                start = start or stated_start_ns(key, text, usual) or 0.0
    return start, interval


def _is_time(unit: str) -> bool:
    return bare_unit(unit) in TIME_UNITS


def _time_column(table: CsvTable, left: list[int], titles: _Titles, stated_ns: float | None, where: str) -> int | None:
    """The time column; None where time is start and increment."""
    named = [c for c in left if _is_time(titles.units[c]) or means_time(titles.names[c])]
    if named and not (stated_ns and _counts(table, named[0])):
        return named[0]
    if (
        len(left) > 1
        and not means_count(titles.names[left[0]])
        and not _counts(table, left[0])
        and _goes_on(table, left[0])
    ):
        return left[0]
    if stated_ns:
        return None
    raise DataError(
        "there is no time axis: no time column, and the header states no interval between samples",
        where=where,
        remedy="give the interval with --interval 1us or the times with --time-file, or export the time as the first "
        "column",
    )


def _one_axis(table: CsvTable, left: list[int], titles: _Titles, time: int, where: str) -> list[int]:
    """The channels without further time columns, as stand where every channel has one of its own.

    Raises:
        DataError: such a column differs from the first.
    """
    for column in [c for c in left if _is_time(titles.units[c]) or means_time(titles.names[c])]:
        if table.column(column) != table.column(time):
            raise DataError(
                f"columns {time + 1} and {column + 1} are times that differ", where=where,
                remedy="export each channel to a file of its own and give them all",
            )  # fmt: skip
        left = [c for c in left if c != column]
    if not any(titles.names):
        left = [c for c in left if not (_goes_on(table, c) and table.column(c) == table.column(time))]
    return left


def _time_unit_ns(table: CsvTable, time: int, titles: _Titles, usual: str, stated_ns: float | None) -> float:
    """Nanoseconds a unit of the time column: as written, or as its steps are beside the interval that is stated."""
    for unit in (titles.units[time], usual):
        if _is_time(unit):
            return TIME_UNITS[bare_unit(unit)]
    measured = _usual_step(table.column(time))
    if stated_ns and measured:
        for unit_ns in UNIT_NAMES:
            if abs(measured * unit_ns - stated_ns) <= _ALIKE * stated_ns:
                return unit_ns
    titles.doubts.append("no unit of time is written: seconds are taken")
    return 1e9


def _goes_on(table: CsvTable, column: int) -> bool:
    """Whether a column rises like time, a little all along, and not like a voltage, in a few steps."""
    values = table.column(column)
    return all(a <= b for a, b in pairwise(values)) and len(set(values)) >= max(3, len(values) // 20)


def _counts(table: CsvTable, column: int) -> bool:
    """Whether a column counts samples: whole numbers, one more each line."""
    values = table.column(column)[:1000]
    return len(values) > 2 and all(a.is_integer() and b == a + 1 for a, b in pairwise(values))


def _usual_step(times: list[float]) -> float:
    steps = sorted(b - a for a, b in pairwise(times) if b > a)
    return steps[len(steps) // 2] if steps else 0.0


def _against(times: list[float], unit_ns: float, stated_ns: float | None) -> list[str]:
    measured = _usual_step(times) * unit_ns
    # Where times stand still they are rounded, and no step tells anything; the survey looks at all of them.
    if stated_ns is None or not measured or any(a == b for a, b in pairwise(times)):
        return []
    if abs(measured - stated_ns) <= _ALIKE * stated_ns:
        return []
    mean = (times[-1] - times[0]) * unit_ns / max(1, len(times) - 1)
    if abs(mean - stated_ns) <= _ALIKE * stated_ns:
        return []
    return [
        f"the header states {stated_ns:g} ns between samples, the time column has {measured:g} ns: the column counts"
    ]


def _digits(table: CsvTable, time: int | None) -> Digits | None:
    if time is None or time == TIME_APART:
        return None
    printed = [match for n in table.data if (match := _PRINTED.match(table.rows[n][time]))]
    return Digits(max(len(match[1] or "") for match in printed), any(match[2] for match in printed))


def _unused(name: str, taken: dict[str, tuple[int, float]]) -> str:
    number = 2
    found = name
    while found in taken:
        found, number = f"{name} ({number})", number + 1
    return found
