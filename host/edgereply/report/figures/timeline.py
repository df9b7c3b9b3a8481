"""Reaction time over the run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import plotly.graph_objects as go

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.canvas import Anchor, deadline, heat, names, panels
from edgereply.report.figures.theme import LIGHT
from edgereply.wording.numbers import duration

_DOTS_UP_TO: Final = 1200


def over_time(views: Sequence[RunView], first: int = 0) -> go.Figure:
    """Reaction time against the time of the stimulus, late and missed ones marked one by one.

    Args:
        views: the runs, one panel each.
        first: number of the first of them on the page.

    Returns:
        The figure: dots for a short run, cells coloured by count for a long one.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    log = density.shared_edges([view.answers() for view in views], 10)[1]
    figure = panels(views, names(views, first), "time since the first stimulus (s)", f"reaction time ({unit})", ["y"])
    for row, view in enumerate(views):
        since, reaction = view.timeline()
        answered = np.count_nonzero(reaction != NO_STAMP)
        if not answered:
            continue
        place = {"row": row + 1, "col": 1}
        (_dots if answered <= _DOTS_UP_TO else _cells)(figure, first + row, since, reaction, size, place)
        _marks(figure, view, first + row, since, reaction, size, place)
        if view.deadline_ns is not None:
            y = view.deadline_ns / size
            deadline(figure, view.deadline_ns, [int(since[-1]) / 1e9, 0], [y, y], "top right", place)
    if log:
        reached = [value for view in views for value in style.reach(view)]
        figure.update_yaxes(**style.logarithmic(min(reached), max(reached), size))
    return figure


def _dots(figure: go.Figure, index: int, since: Int64s, reaction: Int64s, size: int, place: Anchor) -> None:
    there = reaction != NO_STAMP
    figure.add_scatter(
        x=since[there] / 1e9, y=reaction[there] / size, mode="markers", name="answer",
        marker={"size": 4, "symbol": "circle", "color": style.color(index)},
        customdata=[duration(int(value)) for value in reaction[there]],
        hovertemplate="%{x:.4~g} s: %{customdata}<extra>" + letter(index) + "</extra>", **place,
    )  # fmt: skip


def _cells(figure: go.Figure, index: int, since: Int64s, reaction: Int64s, size: int, place: Anchor) -> None:
    cells = density.over_time(since, reaction, 200, 70)
    if cells is None:
        return
    heat(
        figure, cells.x_edges_ns / 1e9, cells.y_edges_ns / size, cells.counts,
        "%{customdata:,} answers, %{x:.4~g} s<extra>" + letter(index) + "</extra>", index, place,
    )  # fmt: skip
    at, slowest = density.slowest_over_time(since, reaction, 200)
    figure.add_scatter(
        x=at / 1e9, y=slowest / size, mode="lines", name="slowest", hoverinfo="skip",
        line={"color": LIGHT["envelope"], "width": 1, "shape": "hv"}, **place,
    )  # fmt: skip


def _marks(
    figure: go.Figure, view: RunView, index: int, since: Int64s, reaction: Int64s, size: int, place: Anchor
) -> None:
    late = np.flatnonzero(reaction > (view.deadline_ns if view.deadline_ns is not None else np.iinfo(np.int64).max))
    late = late[np.argsort(reaction[late])[-density.MOST_MARKS :]]
    missed = np.flatnonzero(reaction == NO_STAMP)[: density.MOST_MARKS]
    ceiling = max(int(present(reaction).max()), view.deadline_ns or 0)
    for word, rows, heights, symbol, color in (
        ("late", late, reaction[late], "diamond", LIGHT["late"]),
        ("no answer of its own", missed, np.full(missed.size, int(ceiling * 1.15)), "x", LIGHT["missed"]),
    ):
        if rows.size:
            figure.add_scatter(
                x=since[rows] / 1e9, y=heights / size, mode="markers", name=word,
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1, "color": LIGHT["panel"]}},
                hovertemplate="%{x:.6~g} s: " + word + "<extra>" + letter(index) + "</extra>", **place,
            )  # fmt: skip
