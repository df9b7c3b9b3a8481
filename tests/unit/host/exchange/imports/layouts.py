"""Oscilloscope CSV of one known truth, written in the layouts that instruments use."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STEP_NS = 1_000
RISES = (200, 700, 1200, 1700, 2200, 2700)
REACTION, WIDTH, ROWS = 37, 60, 3_200


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """Samples every microsecond: `RISES` on the first channel, answered `REACTION` later on the second."""

    time_s: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]


def truth() -> Truth:
    """3.3 V and 5 V pulses; one sample on each edge lies at 50 %, so crossings are known exactly."""
    place = np.arange(ROWS, dtype=np.float64)
    first, second = np.zeros(ROWS), np.zeros(ROWS)
    for rise in RISES:
        for values, at, high in ((first, rise, 3.25), (second, rise + REACTION, 5.0)):
            values[at + 1 : at + WIDTH] = high
            values[[at, at + WIDTH]] = high / 2
    return Truth(place * 1e-6 - 0.0005, first, second)


def rows(separator: str, decimal: str, *columns: NDArray[np.float64], digits: int = 9, tail: str = "") -> str:
    """Numbers as lines."""
    cells = [[f"{value:.{digits}g}".replace(".", decimal) for value in column] for column in columns]
    return "".join(separator.join(line) + tail + "\n" for line in zip(*cells, strict=True))


def _plain() -> str:
    t = truth()
    return "Time,CH1,CH2\n" + rows(",", ".", t.time_s, t.first, t.second)


def _unit_row() -> str:
    t = truth()
    return "x-axis,1,2\nsecond,Volt,Volt\n" + rows(",", ".", t.time_s, t.first, t.second)


def _units_in_header() -> str:
    t = truth()
    return "Time (ms),Channel A (mV),Channel B [V]\n" + rows(",", ".", t.time_s * 1e3, t.first * 1e3, t.second)


def _bracketed_unit_row() -> str:
    t = truth()
    return "Time;Channel A;Channel B\n(us);(V);(V)\n\n" + rows(";", ",", t.time_s * 1e6, t.first, t.second)


def _tabs_and_commas() -> str:
    t = truth()
    return "Zeit in s\tA in V\tB in V\n" + rows("\t", ",", t.time_s, t.first, t.second)


def _start_and_increment() -> str:
    t = truth()
    count = np.arange(ROWS).astype(float)
    return "X,CH1,CH2,Start,Increment,\nSequence,Volt,Volt,-5.000000e-04,1.000000e-06\n" + rows(
        ",", ".", count, t.first, t.second, tail=","
    )


def _preamble() -> str:
    t = truth()
    head = "Model,SCOPE\nRecord Length,3200\nSample Interval,1.0E-06,s\nVertical Units,V\n\nLabels,,\nTIME,CH1,CH2\n"
    return head + rows(",", ".", t.time_s, t.first, t.second)


def _preamble_beside() -> str:
    """What describes the file stands left of the first lines of data."""
    t = truth()
    beside = ["Record Length,3200,Points", "Sample Interval,1e-06,s", 'Note,"gate, first",'] + [",,"] * (ROWS - 3)
    data = rows(",", ".", t.time_s, t.first, t.second).splitlines()
    beside[2] = "Note,gate,"
    return "".join(f"{a},{b}\n" for a, b in zip(beside, data, strict=True))


def _comments() -> str:
    t = truth()
    return "# Sampling rate: 1 MHz\n# bottling line\nCH1/V;CH2/V\n" + rows(";", ".", t.first, t.second)


def _quoted_and_signed() -> str:
    t = truth()
    lines = [f'"{a:+.6e}","{b:+.3e}","{c:+.3e}"\r\n' for a, b, c in zip(t.time_s, t.first, t.second, strict=True)]
    return '\ufeff"Time","CH1","CH2"\r\n' + "".join(lines)


def _no_header() -> str:
    t = truth()
    return rows(",", ".", t.time_s, t.first, t.second)


def _double_spaced() -> str:
    return _plain().replace("\n", "\n\n")


LAYOUTS: Mapping[str, Callable[[], str]] = {
    made.__name__.strip("_"): made
    for made in (
        _plain, _unit_row, _units_in_header, _bracketed_unit_row, _tabs_and_commas, _start_and_increment, _preamble,
        _preamble_beside, _comments, _quoted_and_signed, _no_header, _double_spaced,
    )
}  # fmt: skip
