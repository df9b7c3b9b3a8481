"""Figures of runs and conditions as the cells of a line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from edgereply.analysis.statistics.quantile_intervals import QuantileEstimate
from edgereply.comparison.compare import ComparedEntry, Comparison
from edgereply.report.tables.context_rows import context_columns
from edgereply.report.tables.rows import Cell
from edgereply.wording.numbers import NOTHING, distinct, duration, share

_HEADINGS: Final = ("group", "stimuli", "median", "p99", "p99.9", "slowest", "missed", "late", "margin")
_NOTE: Final = (
    "Brackets: 95 % intervals that allow for clusters; too clustered: answers depend on each other over stretches too "
    "long for one. Margin: the deadline minus the upper end of p99.9's interval, what is left for all but one stimulus "
    "in a thousand; stimuli without an answer count as slower than any."
)


def comparison_lines(comparison: Comparison) -> tuple[list[str], list[list[Cell]], list[str]]:
    """A comparison as it is printed everywhere, but for the name in front and the evidence at the end.

    Returns:
        Headings, a line of cells for each run, and what is to be said below the table.
    """
    headings, more, absent = context_columns([place.entry.context for place in comparison.places])
    cells = [[*_cells(place), *extra] for place, extra in zip(comparison.places, more, strict=True)]
    return [*_HEADINGS, *headings], cells, [_NOTE, *absent]


def _cells(place: ComparedEntry) -> list[Cell]:
    entry, found = place.entry, place.estimates
    count = entry.counts["responses"]
    return [
        Cell(place.groups or NOTHING),
        Cell(f"{entry.counts['stimuli']:,}"),
        *(quantile_cell(item, found.needed.get(name, 0), count) for name, item in found.quantiles.items()),
        Cell(duration(found.max_ns)),
        count_cell(entry.counts, "missed"),
        late_cell(entry.counts, entry.deadline_ns),
        margin_cell(
            place.tail.left_ns, place.tail.unanswered, entry.deadline_ns, found.needed.get("p99_9_ns", 0), count
        ),
    ]


def unlike_first(comparison: Comparison) -> list[list[str]]:
    """The respects in which each run differs from the first one, in the order of the runs."""
    shorts = [place.short for place in comparison.places]
    has = {respect: {who: value for value, whose in values.items() for who in whose}
           for respect, values in comparison.differences.items()}  # fmt: skip
    return [[respect for respect, value in has.items() if value.get(who) != value.get(shorts[0])] for who in shorts]


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
    if estimate.rough:
        return Cell(f"{duration(estimate.value_ns)} (rough: slow answers came in groups)")
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
