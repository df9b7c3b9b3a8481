"""The CSV file of a USB power meter: its heading tells which columns hold time and watts, or volts and amps."""

import csv
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from edgereply.analysis.arrays.aliases import Floats
from edgereply.errors import SettingError
from edgereply.exchange.imports.csv_table import table_of
from edgereply.exchange.imports.csv_words import TIME_UNITS, VOLT_UNITS

MOST_BYTES = 256 << 20
PREAMBLE = 50
SURVEYED = 200
# Seconds since 1970 are beyond this since 2001; no log runs for thirty years.
CALENDAR_S = 1e9
_COLUMNS = {
    "time": re.compile(r"(date ?/? ?time|time ?stamp|time|elapsed( time)?|seconds|t)"),
    "volts": re.compile(r"((bus |usb |v)?voltage|volts?|u|v|vbus)"),
    "amps": re.compile(r"((bus |usb )?current|amps?|amperes?|i|a|ibus)"),
    "watts": re.compile(r"(power|watts?|p|w)"),
}
_UNITS = {
    "time": {unit: scale_ns / 1e9 for unit, scale_ns in TIME_UNITS.items()} | {"min": 60.0, "h": 3600.0},
    "volts": VOLT_UNITS,
    "amps": {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "µa": 1e-6},
    "watts": {"w": 1.0, "mw": 1e-3, "uw": 1e-6, "µw": 1e-6},
}
_CLOCK = re.compile(r"(\d+):([0-5]?\d)(?::([0-5]?\d(?:\.\d+)?))?")
REMEDY = "export time and watts, or time, volts and amps, with a heading row such as 'time_s,voltage_v,current_a'"


@dataclass(frozen=True, slots=True, eq=False)
class PowerLog:
    """A meter's log.

    Attributes:
        name: of the file.
        at_s: shape (n,), float64, rising: Unix time, or seconds of the log's own clock.
        power_w: shape (n,), float64.
        calendar: whether `at_s` is Unix time.
    """

    name: str
    at_s: Floats
    power_w: Floats
    calendar: bool

    def between(self, began_s: float, ended_s: float) -> "PowerLog":
        """The rows between two Unix times; all of them where the log has a clock of its own.

        Raises:
            SettingError: fewer than two rows lie in between.
        """
        if not self.calendar:
            return self
        inside = (self.at_s >= began_s) & (self.at_s <= ended_s)
        if np.count_nonzero(inside) < 2:
            raise SettingError(
                f"the power log has {np.count_nonzero(inside)} rows during the run: it goes from "
                f"{_when(self.at_s[0])} to {_when(self.at_s[-1])}, the run from {_when(began_s)} to {_when(ended_s)}",
                where=self.name,
                remedy="give the log of this run, and set the meter's clock (times without a zone are local times)",
            )
        return PowerLog(self.name, self.at_s[inside], self.power_w[inside], True)

    def mean_w(self) -> float:
        """Mean power, each stretch between two rows counting by its length."""
        steps = np.diff(self.at_s)
        return float(np.sum((self.power_w[1:] + self.power_w[:-1]) / 2 * steps) / np.sum(steps))


def read_power_log(path: Path) -> PowerLog:
    """Read a meter's CSV file: separated by comma, semicolon or tab, with a heading row within the first lines.

    Raises:
        SettingError: unreadable, no such columns, or a bad cell, named by its line.
    """
    rows = _rows(path)
    columns, header_line = _header(path, rows)
    at_s: list[float] = []
    power_w: list[float] = []
    calendar: bool | None = None
    for number, row in rows[header_line:]:
        if not any(cell.strip() for cell in row):
            continue
        try:
            second, absolute = _time(row[columns["time"][0]], columns["time"][1])
            watts = _watts(row, columns)
        except (ValueError, IndexError) as error:
            why = f"{error}" if isinstance(error, ValueError) else "it has too few cells"
            raise SettingError(f"line {number} cannot be read: {why}", where=str(path), remedy=REMEDY) from error
        if (calendar is not None and absolute != calendar) or (at_s and second < at_s[-1]):
            raise SettingError(
                f"line {number}: its time {row[columns['time'][0]]!r} does not follow the one before",
                where=str(path), remedy="give one log, in order of time",
            )  # fmt: skip
        calendar = absolute
        at_s.append(second)
        power_w.append(watts)
    if len(at_s) < 2 or at_s[-1] <= at_s[0]:
        raise SettingError(
            f"the power log has {len(at_s)} rows of no length in time", where=str(path), remedy="give a longer log"
        )
    return PowerLog(str(path), np.array(at_s), np.array(power_w), bool(calendar))


def _rows(path: Path) -> list[tuple[int, list[str]]]:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise SettingError("the power log is larger than 256 MiB", where=str(path), remedy="cut it to the run")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingError(
            f"the power log cannot be read: {error.strerror}", where=str(path), remedy="give the meter's CSV file"
        ) from error
    except UnicodeDecodeError as error:
        raise SettingError("the power log is no UTF-8 text", where=str(path), remedy="export it as CSV") from error
    lines = text.splitlines()
    table = table_of(lines[:SURVEYED])
    if table is None:
        seen = lines[0].strip()[:120] if lines else "nothing"
        raise SettingError(
            f"the power log has no table of numbers; it begins with: {seen}", where=str(path), remedy=REMEDY
        )
    try:
        return list(_split(lines, table.delimiter, table.decimal))
    except csv.Error as error:
        raise SettingError(f"the power log is no CSV: {error}", where=str(path), remedy=REMEDY) from error


def _split(lines: Sequence[str], delimiter: str, decimal: str) -> Iterator[tuple[int, list[str]]]:
    for number, line in enumerate(lines, 1):
        row = next(csv.reader([line], delimiter=delimiter), [])
        yield number, row if decimal == "." else [cell.replace(decimal, ".") for cell in row]


def _header(path: Path, rows: Sequence[tuple[int, list[str]]]) -> tuple[dict[str, tuple[int, float]], int]:
    """Column and scale of each quantity, and how many rows come before the first one with numbers."""
    for place, (_, row) in enumerate(rows[:PREAMBLE]):
        found: dict[str, tuple[int, float]] = {}
        for column, cell in enumerate(row):
            for name, scale in _meanings(cell):
                found.setdefault(name, (column, scale))
        if "time" in found and ("watts" in found or {"volts", "amps"} <= found.keys()):
            return found, place + 1
    seen = ", ".join(cell.strip() for cell in rows[0][1])[:120]
    raise SettingError(
        f"the power log has no heading with a time and watts, or volts and amps; it begins with: {seen}",
        where=str(path), remedy=REMEDY,
    )  # fmt: skip


def _meanings(cell: str) -> Iterator[tuple[str, float]]:
    words = re.sub(r"[\[\](){}/_,.:]+", " ", cell.strip().lower()).replace("μ", "µ").split()
    for name, pattern in _COLUMNS.items():
        if words and pattern.fullmatch(" ".join(words)):
            yield name, 1.0
        elif len(words) > 1 and words[-1] in _UNITS[name] and pattern.fullmatch(" ".join(words[:-1])):
            yield name, _UNITS[name][words[-1]]


def _watts(row: Sequence[str], columns: dict[str, tuple[int, float]]) -> float:
    def number(name: str) -> float:
        column, scale = columns[name]
        value = float(row[column])
        if not np.isfinite(value):
            raise ValueError(f"{row[column]!r} is no number")
        return value * scale

    return number("watts") if "watts" in columns else number("volts") * number("amps")


def _time(cell: str, scale: float) -> tuple[float, bool]:
    """Seconds, and whether they are Unix time."""
    cell = cell.strip()
    if clock := _CLOCK.fullmatch(cell):
        hours, minutes, seconds = clock[1], clock[2], clock[3]
        if seconds is None:
            return int(hours) * 60.0 + float(minutes), False
        return int(hours) * 3600.0 + int(minutes) * 60.0 + float(seconds), False
    try:
        value = float(cell)
    except ValueError:
        try:
            return datetime.fromisoformat(cell.replace("/", "-")).timestamp(), True
        except ValueError:
            raise ValueError(f"{cell!r} is no time") from None
    if not np.isfinite(value):
        raise ValueError(f"{cell!r} is no time")
    # Milliseconds since 1970 under a heading that names no unit.
    seconds_s = value * (1e-3 if scale == 1.0 and value > CALENDAR_S * 100 else scale)
    return seconds_s, seconds_s > CALENDAR_S


def _when(at_s: float) -> str:
    return datetime.fromtimestamp(at_s).astimezone().isoformat(sep=" ", timespec="seconds")
