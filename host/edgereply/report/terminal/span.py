"""A run's times as one bar on a logarithmic axis: best, typical, 99 %, worst and the deadline.

A linear axis would put best, typical and 99 % into one character wherever one answer was very late; a reaction time's
spread is told in factors, and on a logarithmic axis a factor is the same length everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rich.text import Text

from edgereply.evaluation.headline import Headline
from edgereply.wording.numbers import exactly

# First, between first and typical, typical, up to 99 %, beyond, last, deadline.
_MARKS: Final = "├─●━─┤┃"
_PLAIN: Final = "|-O=-|!"
LEAST_WIDTH: Final = 24
_GAP: Final = 2


@dataclass(frozen=True, slots=True)
class Axis:
    """A logarithmic axis of time over some columns.

    Attributes:
        low_ns, high_ns: its ends, `high_ns` above `low_ns`.
        width: columns, at least 2.
    """

    low_ns: float
    high_ns: float
    width: int

    def column(self, value_ns: float) -> int:
        """Where a time falls; what lies outside is at the end next to it."""
        span = math.log(self.high_ns / self.low_ns)
        place = math.log(max(value_ns, self.low_ns) / self.low_ns) / span * (self.width - 1)
        return min(self.width - 1, round(place))


def axis_of(headlines: Sequence[Headline], width: int) -> Axis | None:
    """One axis for all of them, their deadlines in it; None where nothing was answered.

    Args:
        headlines: one or more.
        width: columns.
    """
    values = [
        max(1, value)
        for item in headlines
        if item.best_ns is not None
        for value in (item.best_ns, item.worst_ns, item.deadline_ns)
        if value is not None
    ]
    if not values or width < 2:
        return None
    low, high = min(values), max(values)
    # A factor of two at least, so that answers that hardly differ do not look far apart.
    return Axis(low, max(high, 2 * low), width)


def bar(headline: Headline, axis: Axis, plain: bool) -> Text:
    """The bar, as wide as the axis; past the deadline it is red.

    Args:
        headline: the run.
        axis: of `axis_of`.
        plain: True for a terminal that knows ASCII only.
    """
    marks = _PLAIN if plain else _MARKS
    cells = [" "] * axis.width
    if headline.best_ns is not None and headline.worst_ns is not None:
        first, last = axis.column(headline.best_ns), axis.column(headline.worst_ns)
        typical = first if headline.typical_ns is None else axis.column(headline.typical_ns)
        usual = typical if headline.p99_ns is None else axis.column(headline.p99_ns)
        for place in range(first, last + 1):
            cells[place] = marks[1] if place < typical else marks[3] if place <= usual else marks[4]
        cells[last], cells[first] = marks[5], marks[0]
        if headline.typical_ns is not None:
            cells[typical] = marks[2]
    deadline = None if headline.deadline_ns is None else axis.column(headline.deadline_ns)
    if deadline is not None:
        cells[deadline] = marks[6]
    line = Text("".join(cells), style="cyan")
    if deadline is not None:
        line.stylize("bold", deadline, deadline + 1)
        line.stylize("bold red", deadline + 1, axis.width)
    return line


def labelled_bar(headline: Headline, width: int, plain: bool) -> list[Text]:
    """The bar with a line of names and a line of times below it; empty where there is no room or no answer.

    Args:
        headline: the run.
        width: columns.
        plain: as of `bar`.
    """
    axis = axis_of([headline], width)
    if axis is None:
        return []
    labels = _labels(headline, axis)
    places = placed([(column, len(max(name, value, key=len))) for column, name, value in labels], width)
    if places is None:
        return []
    rows = [bar(headline, axis, plain)]
    for part in (1, 2):
        row = Text()
        for place, label in zip(places, labels, strict=True):
            text = str(label[part])
            row.append(" " * (place - len(row)) + text, style="dim" if part == 1 else "bold")
        rows.append(row)
    return rows


def placed(labels: Sequence[tuple[int, int]], width: int) -> list[int] | None:
    """Where labels start so that none runs into the next, each as near to its column as that allows.

    Args:
        labels: column and length of each, by rising column.
        width: columns there are.

    Returns:
        A start for each; None where they do not fit.
    """
    starts: list[int] = []
    for column, length in labels:
        least = starts[-1] + labels[len(starts) - 1][1] + _GAP if starts else 0
        starts.append(max(least, min(column, width - length)))
    end = width
    for place in reversed(range(len(labels))):
        starts[place] = min(starts[place], end - labels[place][1])
        end = starts[place] - _GAP
    return None if starts and starts[0] < 0 else starts


def _labels(headline: Headline, axis: Axis) -> list[tuple[int, str, str]]:
    """Column, name and time of everything on the bar, by rising time."""
    values = (headline.best_ns, headline.typical_ns, headline.p99_ns, headline.worst_ns)
    said = dict(headline.times())
    names = ("best", "typical", "99 % within", "worst")
    found = [
        (value, name, said[name])
        for name, value in zip(names, values, strict=True)
        if value is not None and name in said
    ]
    if headline.deadline_ns is not None:
        found.append((headline.deadline_ns, "deadline", exactly(headline.deadline_ns)))
    return [(axis.column(value), name, text) for value, name, text in sorted(found, key=lambda item: item[0])]
