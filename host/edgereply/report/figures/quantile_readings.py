"""What the figures that stand on quantiles say: of segments, of runs beside each other, of a sweep's conditions."""

from __future__ import annotations

from collections.abc import Sequence

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures.curves import curves
from edgereply.report.figures.readings import Reading
from edgereply.report.tables.rows import QUANTILES, estimate, segment_label, segment_names
from edgereply.wording.numbers import quantile


def segments(views: Sequence[RunView]) -> Reading:
    """The segments' figures."""
    names = ("median_ns", "p99_ns", "p99_9_ns", "max_ns")
    rows = tuple(
        (
            f"{segment_label(name)}{f' {letter(i)}' if len(views) > 1 else ''}",
            *(quantile((view.summary.get("segments") or {}).get(name), key) for key in names),
        )
        for name in segment_names(views)
        for i, view in enumerate(views)
    )
    return Reading(
        "Where the time goes: a line from the fastest to the slowest of each segment, a circle at the median, a "
        "diamond at p99, a square at p99.9.",
        ("segment", "median", "p99", "p99.9", "slowest"),
        rows,
    )


def quantiles(views: Sequence[RunView]) -> Reading:
    """Quantiles with the intervals that allow for clusters."""
    rows = tuple(
        (f"{letter(index)} ({view.grade})", *(_estimate(view, key) for _, key in QUANTILES))
        for index, view in enumerate(views)
    )
    return Reading(
        "Quantiles of the reaction time, a bar over each 95 % interval, which allows for answers that depend on each "
        "other. An open marker without a bar is rough: slow answers came in groups. A quantile that a run is too short "
        "for is left out; the table says how many answers it needs.",
        ("run", *(word for word, _ in QUANTILES)),
        rows,
    )


def rates(views: Sequence[RunView]) -> Reading:
    """The sweep's curves as a table."""
    found = curves(views)
    rows = tuple(
        (
            f"{curve.name or 'all conditions'}, {rate:,.6g}/s ({view.grade})",
            *(_estimate(view, key) for _, key in QUANTILES),
            f"{view.stimuli:,}",
            "no deadline" if view.deadline_ns is None else f"{int(view.late().sum()):,}",
            f"{view.stimuli - int(view.answered().sum()):,}",
        )
        for curve in found
        for rate, view in zip(curve.rates, curve.views, strict=True)
    )
    return Reading(
        "Quantiles of the reaction time against the rate of the stimuli, a line for all else that was varied, in the "
        "shade of its 95 % intervals. An open marker is rough: slow answers came in groups. A quantile that a "
        "condition is too short for is left out; the table says how many answers it needs.",
        ("condition", *(word for word, _ in QUANTILES), "stimuli", "late", "no answer"),
        rows,
    )


def _estimate(view: RunView, key: str) -> str:
    found = estimate(view, key)
    return quantile(view.summary.get("reaction"), key) if found is None else found.words
