"""What the figures that stand on quantiles say: of segments, of runs beside each other, of a sweep's conditions."""

from __future__ import annotations

from collections.abc import Sequence

from edgereply.evaluation.run_view import RunView, letter
from edgereply.report.figures.curves import curves
from edgereply.report.figures.readings import Reading
from edgereply.report.figures.segments import part_label
from edgereply.report.tables.rows import QUANTILES, estimate, segment_names
from edgereply.wording.evidence import measured_by
from edgereply.wording.numbers import quantile


def segments(views: Sequence[RunView]) -> Reading:
    """The parts of the reaction time, and how long the program kept the pin high."""
    names = ("median_ns", "p99_ns", "p99_9_ns", "max_ns")
    rows = tuple(
        (
            f"{_part(name)}{f' {letter(i)}' if len(views) > 1 else ''}",
            *(quantile((view.summary.get("segments") or {}).get(name), key) for key in names),
        )
        for name in segment_names(views)
        for i, view in enumerate(views)
    )
    return Reading(
        "Each bar adds up to a mean reaction time: above of the typical answers, below of the slowest 1 %.",
        ("part", "median", "p99", "p99.9", "worst"),
        rows,
    )


def _part(name: str) -> str:
    words = "hold (the program kept it high)" if name == "hold" else part_label(name)
    return words[:1].upper() + words[1:]


def quantiles(views: Sequence[RunView]) -> Reading:
    """Quantiles with the intervals that allow for clusters."""
    rows = tuple(
        (
            f"{letter(index)} ({measured_by(view.evidence, view.virtual)})",
            *(_estimate(view, key) for _, key in QUANTILES),
        )
        for index, view in enumerate(views)
    )
    return Reading(
        "Percentiles of the reaction time. One that needs more answers than there are is left out.",
        ("run", *(word for word, _ in QUANTILES)),
        rows,
    )


def rates(views: Sequence[RunView]) -> Reading:
    """The sweep's curves as a table."""
    found = curves(views)
    rows = tuple(
        (
            f"{curve.name or 'all conditions'}, {rate:,.6g}/s ({measured_by(view.evidence, view.virtual)})",
            *(_estimate(view, key) for _, key in QUANTILES),
            f"{view.stimuli:,}",
            "no deadline" if view.deadline_ns is None else f"{int(view.late().sum()):,}",
            f"{view.stimuli - int(view.answered().sum()):,}",
        )
        for curve in found
        for rate, view in zip(curve.rates, curve.views, strict=True)
    )
    return Reading(
        "Percentiles of the reaction time against the rate of the stimuli, a line for all else that was varied. "
        "One that needs more answers than there are is left out.",
        ("condition", *(word for word, _ in QUANTILES), "stimuli", "late", "no answer"),
        rows,
    )


def _estimate(view: RunView, key: str) -> str:
    found = estimate(view, key)
    return quantile(view.summary.get("reaction"), key) if found is None else found.words
