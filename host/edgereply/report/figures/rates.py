"""Curves of a sweep: percentiles of the reaction time against the rate of the stimuli."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from edgereply.evaluation.run_view import RunView
from edgereply.report.figures import style
from edgereply.report.figures.curves import Curve, curves
from edgereply.report.figures.drawing import Axis, Drawing, Flag, Item, Panel, Points
from edgereply.report.figures.drawing import Curve as Line
from edgereply.report.tables.rows import QUANTILES, estimate
from edgereply.wording.numbers import clean


def sweep_curves(views: Sequence[RunView]) -> Drawing | None:
    """Median, p90, p99 and p99.9 against the rate, a curve for all else that was varied, with 95 % bands.

    Args:
        views: the conditions of a sweep.

    Returns:
        The figure, a panel a percentile; None where no two rates were measured.
    """
    found = curves(views)
    known = [item for curve in found for view in curve.views for _, key in QUANTILES if (item := estimate(view, key))]
    if not known:
        return None
    size, unit = style.unit_of([view.answers() for view in views])
    limits = style.unlike_deadlines(views)
    low, high = min([item.low_ns for item in known] + limits), max([item.high_ns for item in known] + limits)
    y = style.time_axis(f"reaction time ({unit})", low, high, size, log=low > 0, room=0.06)
    rates = sorted({rate for curve in found for rate in curve.rates})
    x = Axis(
        title="stimuli per second",
        low=rates[0] / 1.15,
        high=rates[-1] * 1.15,
        log=True,
        ticks=tuple((rate, f"{rate:,.6g}") for rate in rates),
    )
    flags = tuple(
        Flag(axis="y", at=limit / size, text=style.deadline(limit, size).text, color="deadline", dash="dash")
        for limit in limits
    )
    panels: list[Panel] = []
    for word, key in QUANTILES:
        if any(estimate(view, key) for curve in found for view in curve.views):
            items = [
                item
                for number, curve in enumerate(found)
                for item in _draw(curve, number, (word, key), size, named=not panels)
            ]
            panels.append(Panel(x=x, y=y, items=tuple(items), title=word, height=210, flags=flags))
            flags = tuple(replace(flag, text="") for flag in flags)
    return Drawing(
        panels=tuple(panels),
        measured_by=style.measured_words(views),
        switches=("x", "y"),
        key=len(found) > 1,
        notes=("Shaded: 95 % intervals. Open marks: rough, too few slow answers or in groups.",),
    )


def _draw(curve: Curve, number: int, quantile: tuple[str, str], size: int, named: bool) -> list[Item]:
    word, key = quantile
    points = [
        (rate, view, item)
        for rate, view in zip(curve.rates, curve.views, strict=True)
        if (item := estimate(view, key)) is not None
    ]
    if not points:
        return []
    color, name = style.color(number), clean(curve.name) or "all conditions"
    x = [rate for rate, _, _ in points]
    edge = [item.high_ns / size for _, _, item in points] + [item.low_ns / size for _, _, item in reversed(points)]
    y = [item.value_ns / size for _, _, item in points]
    items: list[Item] = [
        Line(x=[*x, *reversed(x)], y=edge, color=color, filled=True, width=0),
        Line(x=x, y=y, color=color, dash=style.dash(number)),
    ]
    for hollow in (False, True):
        shown = [(rate, view, item) for rate, view, item in points if item.rough == hollow]
        if hollow and not shown:
            continue
        items.append(
            Points(
                x=[rate for rate, _, _ in shown],
                y=[item.value_ns / size for _, _, item in shown],
                color=color,
                symbol=style.marker(number),
                size=9,
                name=name if named and not hollow else "",
                hover=[
                    f"{name}, {rate:,.6g}/s: {word} {item.words}, {view.stimuli:,} stimuli"
                    for rate, view, item in shown
                ],
                hollow=hollow,
            )
        )
    return items
