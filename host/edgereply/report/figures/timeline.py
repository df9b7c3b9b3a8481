"""Reaction time over the run."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import density, style
from edgereply.report.figures.drawing import Axis, Curve, Drawing, Flag, Heat, Item, Panel, Points
from edgereply.wording.numbers import duration

_DOTS_UP_TO: Final = 1200
# How far above everything else the crosses of stimuli without an answer stand.
_ABOVE: Final = 1.15


def over_time(views: Sequence[RunView], first: int = 0) -> Drawing:
    """Reaction time against the time of the stimulus, late and missed ones marked one by one.

    Args:
        views: the runs, one panel each.
        first: number of the first of them on the page.

    Returns:
        The figure: dots for a short run, cells coloured by count for a long one.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    reached = [value for view in views for value in style.reach(view)]
    low, high = min(reached, default=0), max(reached, default=1)
    missed = any(view.answered().size and not view.answered().all() for view in views)
    y = style.time_axis(f"reaction time ({unit})", low, high * (_ABOVE if missed and high > 0 else 1), size, room=0.08)
    lasted = max((int(since[-1]) for since, _ in (view.timeline() for view in views) if since.size), default=0)
    x = Axis(
        title="time since the first stimulus (s)", low=-0.01 * (lasted or 1e9) / 1e9, high=1.01 * (lasted or 1e9) / 1e9
    )
    panels = []
    for row, view in enumerate(views):
        since, reaction = view.timeline()
        items: list[Item] = []
        answered = int(np.count_nonzero(reaction != NO_STAMP))
        if answered:
            items += (_dots if answered <= _DOTS_UP_TO else _cells)(first + row, since, reaction, size)
            items += _marks(view, since, reaction, size)
        flags = (
            ()
            if view.deadline_ns is None
            else (
                Flag(
                    axis="y",
                    at=view.deadline_ns / size,
                    text=style.deadline(view.deadline_ns, size).text,
                    color="deadline",
                    dash="dash",
                ),
            )
        )
        panels.append(
            Panel(
                x=x,
                y=y,
                items=tuple(items),
                flags=flags,
                title=style.title(views, row, first),
                height=330 if len(views) == 1 else 170,
            )
        )
    named = any(getattr(item, "name", "") for panel in panels for item in panel.items)
    return Drawing(
        panels=tuple(panels),
        measured_by=style.measured_words(views),
        switches=("y",),
        key=named,
        notes=tuple(unmarked(views, first)),
    )


def unmarked(views: Sequence[RunView], first: int) -> list[str]:
    """What was too much to mark one by one, in a sentence."""
    parts = []
    for index, view in enumerate(views, first):
        who = f"{letter(index)}: " if len(views) > 1 or first else ""
        late, lost = int(view.late().sum()), int((~view.answered()).sum())
        if late > density.MOST_MARKS:
            parts.append(f"{who}the slowest {density.MOST_MARKS:,} of {late:,} late answers")
        if lost > density.MOST_MARKS:
            parts.append(f"{who}the first {density.MOST_MARKS:,} of {lost:,} stimuli without an answer")
    return [f"Marked one by one: {'; '.join(parts)}."] if parts else []


def _dots(index: int, since: Int64s, reaction: Int64s, size: int) -> list[Item]:
    there = reaction != NO_STAMP
    hover = [
        f"{at / 1e9:.4g} s: {duration(int(value))}"
        for at, value in zip(since[there].tolist(), reaction[there].tolist(), strict=True)
    ]
    return [
        Points(x=since[there] / 1e9, y=reaction[there] / size, color=style.color(index), size=5, run=index, hover=hover)
    ]


def _cells(index: int, since: Int64s, reaction: Int64s, size: int) -> list[Item]:
    cells = density.over_time(since, reaction, 200, 70)
    if cells is None:
        return []
    at, slowest = density.slowest_over_time(since, reaction, 200)
    x, y = np.repeat(at / 1e9, 2)[1:], np.repeat(slowest / size, 2)[:-1]
    return [
        Heat(x_edges=cells.x_edges_ns / 1e9, y_edges=cells.y_edges_ns / size, counts=cells.counts, run=index),
        Curve(x=x, y=y, color="envelope", width=1, opacity=0.8),
    ]


def _marks(view: RunView, since: Int64s, reaction: Int64s, size: int) -> list[Item]:
    late = np.flatnonzero(reaction > (view.deadline_ns if view.deadline_ns is not None else np.iinfo(np.int64).max))
    late = late[np.argsort(reaction[late])[-density.MOST_MARKS :]]
    missed = np.flatnonzero(reaction == NO_STAMP)[: density.MOST_MARKS]
    ceiling = max(int(present(reaction).max()), view.deadline_ns or 0)
    items: list[Item] = []
    for word, rows, heights, symbol, color in (
        ("late", late, reaction[late], "diamond", "late"),
        ("no answer of its own", missed, np.full(missed.size, int(ceiling * _ABOVE)), "cross", "missed"),
    ):
        if rows.size:
            hover = [f"{at / 1e9:.6g} s: {word}" for at in since[rows].tolist()]
            items.append(
                Points(
                    x=since[rows] / 1e9, y=heights / size, color=color, symbol=symbol, size=9, name=word, hover=hover
                )
            )
    return items
