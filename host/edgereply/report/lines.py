"""Figures of runs and conditions as the cells of a line."""

from __future__ import annotations

from collections.abc import Mapping

from edgereply.analysis.bootstrap import QuantileEstimate
from edgereply.report.rows import Cell
from edgereply.report.text import NOTHING, distinct, duration, share


def quantile_cell(estimate: QuantileEstimate | None, needed: int, count: int) -> Cell:
    """A quantile with its interval, or how many independent answers it takes.

    Args:
        estimate: None where it cannot be given.
        needed: answers it takes.
        count: answers there are.
    """
    if estimate is None:
        if not count:
            return Cell(NOTHING)
        return Cell(f"needs N ≥ {needed:,}" if count < needed else "too clustered")
    low, high = distinct(estimate.low_ns, estimate.high_ns)
    return Cell(duration(estimate.value_ns), low if estimate.low_ns == estimate.high_ns else f"{low} to {high}")


def count_cell(counts: Mapping[str, int], name: str) -> Cell:
    """A count and its share of the stimuli."""
    number, stimuli = counts[name], counts["stimuli"]
    return Cell(f"{number:,} ({share(number, stimuli)})" if number else "0" if stimuli else NOTHING)


def late_cell(counts: Mapping[str, int], deadline_ns: int | None) -> Cell:
    """The late answers, where there is a deadline."""
    return Cell("no deadline") if deadline_ns is None else count_cell(counts, "late")


def margin_cell(left_ns: int | None, unanswered: bool, deadline_ns: int | None, needed: int, count: int) -> Cell:
    """What the deadline leaves; negative past it.

    Args:
        left_ns: None where it cannot be told.
        unanswered: too many stimuli went without an answer.
        deadline_ns: None where there is none.
        needed: answers it takes to tell.
        count: answers there are.
    """
    if deadline_ns is None:
        return Cell("no deadline")
    if unanswered:
        return Cell("none: unanswered")
    return quantile_cell(None, needed, count) if left_ns is None else Cell(duration(left_ns))
