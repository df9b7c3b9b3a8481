"""The first edges of some lines as a timing diagram in characters: is this the signal that was meant?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.wording.numbers import clean, duration

COLUMNS = 56
MOST_LINES = 8
_NAME = 16
# Edges looked at for where the picture ends: before the longest pause among them, where one event is over; a stimulus
# and its answer have four.
_EDGES, _LEAST = 9, 4
_MARGIN = 0.08
_LOW, _HIGH, _EDGE, _SEVERAL = "▁", "▔", "│", "║"


def timing(lines: Mapping[str, tuple[Floats, Bools]], length_ns: float, columns: int = COLUMNS) -> list[str]:
    """A picture of the first edges.

    Args:
        lines: by name, times of edges (shape (n,), float64 nanoseconds, rising) and whether they rise (shape (n,)).
        length_ns: of the recording.
        columns: of the picture, names apart.

    Returns:
        A line that says from when to when, and one for each of the first eight lines that change; nothing where none
        does.
    """
    moving = {name: line for name, line in lines.items() if line[0].size}
    if not moving:
        return []
    start, end = _span(moving, length_ns)
    step = (end - start) / columns
    said = f"first edges, {duration(round(start))} to {duration(round(end))} from the start, {duration(step)} a column:"
    limits: Floats = start + step * np.arange(columns + 1, dtype=np.float64)
    rows = [
        f"  {clean(name, _NAME):<{_NAME}} {_row(at, rising, limits)}"
        for name, (at, rising) in list(moving.items())[:MOST_LINES]
    ]
    return [said, *rows]


def _span(lines: Mapping[str, tuple[Floats, Bools]], length_ns: float) -> tuple[float, float]:
    edges = np.sort(np.concatenate([at[:_EDGES] for at, _ in lines.values()]))[:_EDGES]
    if edges.size == 1:
        return max(0.0, edges[0] - length_ns / 10), max(min(length_ns, edges[0] + length_ns / 10), edges[0] + 1.0)
    last = edges.size - 1
    if edges.size == _EDGES:
        last = _LEAST - 1 + int(np.argmax(np.diff(edges[_LEAST - 1 :])))
    margin = max(1.0, _MARGIN * float(edges[last] - edges[0]))
    return max(0.0, float(edges[0]) - margin), float(edges[last]) + margin


def _row(at: Floats, rising: Bools, limits: Floats) -> str:
    place = np.searchsorted(at, limits)
    cells = []
    for before, after in zip(place[:-1].tolist(), place[1:].tolist(), strict=True):
        if after > before:
            cells.append(_EDGE if after == before + 1 else _SEVERAL)
        else:
            high = bool(rising[before - 1]) if before else not rising[0]
            cells.append(_HIGH if high else _LOW)
    return "".join(cells)
