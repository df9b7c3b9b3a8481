"""Percentiles of several runs beside each other."""

from __future__ import annotations

from collections.abc import Sequence

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures import style
from edgereply.report.figures.drawing import Axis, Drawing, Flag, Panel, Points
from edgereply.report.tables.rows import QUANTILES, estimate
from edgereply.wording.numbers import exactly


def quantiles(views: Sequence[RunView]) -> Drawing:
    """Percentiles of the reaction time with their 95 % intervals, run beside run.

    Args:
        views: the runs.

    Returns:
        The figure; a percentile that a run is too short for is left out.
    """
    size, unit = style.unit_of([view.answers() for view in views])
    items: list[Points] = []
    for index, view in enumerate(views):
        found = [(place, word, estimate(view, key)) for place, (word, key) in enumerate(QUANTILES)]
        known = [(place, word, item) for place, word, item in found if item is not None]
        for hollow in (False, True):
            shown = [(place, word, item) for place, word, item in known if item.rough == hollow]
            if hollow and not shown:
                continue
            items.append(
                Points(
                    x=[place + 0.7 * ((index + 0.5) / len(views) - 0.5) for place, _, _ in shown],
                    y=[item.value_ns / size for _, _, item in shown],
                    low=[] if hollow else [item.low_ns / size for _, _, item in shown],
                    high=[] if hollow else [item.high_ns / size for _, _, item in shown],
                    hover=[f"{letter(index)} {word}: {item.words}" for _, word, item in shown],
                    color=style.color(index),
                    symbol=style.marker(index),
                    size=10,
                    name="" if hollow else style.label(view, index),
                    run=index,
                    hollow=hollow,
                )
            )
    ends = [
        end
        for view in views
        for _, key in QUANTILES
        if (item := estimate(view, key))
        for end in (item.low_ns, item.high_ns)
    ]
    limits = style.unlike_deadlines(views)
    # A deadline further away than the answers spread would flatten what is compared here.
    near = [limit for limit in limits if ends and limit <= 5 * max(ends)]
    low, high = min([*ends, *near], default=0), max([*ends, *near], default=1)
    y = style.time_axis(f"reaction time ({unit})", low, high, size, log=low > 0, room=0.06)
    x = Axis(
        low=-0.5,
        high=len(QUANTILES) - 0.5,
        fixed=True,
        lines=False,
        ticks=tuple((float(place), word) for place, (word, _) in enumerate(QUANTILES)),
    )
    flags = tuple(
        Flag(axis="y", at=limit / size, text=style.deadline(limit, size).text, color="deadline", dash="dash")
        for limit in near
    )
    far = [limit for limit in limits if limit not in near]
    notes = ["Bars: 95 % intervals."]
    notes += ["Open marks: rough, too few slow answers or in groups."] if any(item.hollow for item in items) else []
    notes += [f"Beyond the top: deadline {', '.join(exactly(limit) for limit in far)}."] if far else []
    return Drawing(
        panels=(Panel(x=x, y=y, items=tuple(items), flags=flags, height=330),),
        notes=tuple(notes),
        measured_by=style.measured_words(views),
        switches=("y",),
        key=True,
    )
