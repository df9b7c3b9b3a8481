"""Figures of runs and conditions as the cells of a line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from edgereply.analysis.statistics.summary import SampleSummary
from edgereply.comparison.compare import ComparedEntry, Comparison, Margin
from edgereply.evaluation.gaps import DEAD_TIME, DEAD_TIME_NOTE
from edgereply.report.tables.context_rows import context_columns
from edgereply.report.tables.rows import Cell
from edgereply.wording.numbers import NOTHING, ROUGH, duration, needs_words, range_words, share

_HEADINGS: Final = ("group", "stimuli", "median", "p99", "p99.9", "slowest", "missed", "late", "margin")
QUANTILE_NOTE: Final = (
    "Brackets: 95 % intervals that allow for slow answers that come in groups; rough: the groups are too few or too "
    "long for an interval, measure longer."
)
_MARGIN_NOTE: Final = (
    "Margin: the deadline minus the upper end of p99.9's interval, what is left for all but one stimulus in a "
    "thousand; stimuli without an answer count as slower than any."
)
_SHOWN: Final = ("median_ns", "p99_ns", "p99_9_ns")


def comparison_lines(comparison: Comparison) -> tuple[list[str], list[list[Cell]], list[str]]:
    """A comparison as it is printed everywhere, but for the name in front and the evidence at the end.

    Returns:
        Headings, a line of cells for each run, and what is to be said below the table.
    """
    headings, more, absent = context_columns([place.entry.context for place in comparison.places])
    gaps = [place.entry.gaps for place in comparison.places]
    paired = any(gaps)
    dead = [[Cell(NOTHING if item is None else item.cell)] if paired else [] for item in gaps]
    cells = [[*_cells(place), *own, *extra] for place, own, extra in zip(comparison.places, dead, more, strict=True)]
    notes = [QUANTILE_NOTE, _MARGIN_NOTE, *([DEAD_TIME_NOTE] if paired else []), *absent]
    return [*_HEADINGS, *([DEAD_TIME] if paired else []), *headings], cells, notes


def _cells(place: ComparedEntry) -> list[Cell]:
    entry, found = place.entry, place.summary
    return [
        Cell(place.groups or NOTHING),
        Cell(f"{entry.counts['stimuli']:,}"),
        *(quantile_cell(found, name) for name in _SHOWN),
        Cell(duration(found.max_ns)),
        count_cell(entry.counts, "missed"),
        late_cell(entry.counts, entry.deadline_ns),
        margin_cell(place.margin),
    ]


def unlike_first(comparison: Comparison) -> list[list[str]]:
    """The respects in which each run differs from the first one beside what was compared, in the order of the runs."""
    return _unlike(comparison, comparison.also_different)


def compared_to_first(comparison: Comparison) -> list[list[str]]:
    """The respects in which each run differs from the first one on purpose, in the order of the runs."""
    return _unlike(comparison, comparison.compared)


def _unlike(comparison: Comparison, respects: Sequence[str]) -> list[list[str]]:
    shorts = [place.short for place in comparison.places]
    has = {
        respect: {who: value for value, whose in comparison.differences[respect].items() for who in whose}
        for respect in respects
    }
    return [[respect for respect, value in has.items() if value.get(who) != value.get(shorts[0])] for who in shorts]


def quantile_cell(summary: SampleSummary, name: str) -> Cell:
    """A quantile with its interval, marked where that is unsure; or how many answers it takes.

    Args:
        summary: of the answers.
        name: of the quantile.
    """
    if not summary.count:
        return Cell(NOTHING)
    found, ends = summary.quantiles[name], summary.ci95(name)
    if found is None:
        return Cell(needs_words(summary.needed[name]))
    said = f"{duration(found.value_ns)} ({ROUGH.partition(':')[0]})" if found.rough else duration(found.value_ns)
    return Cell(said, "" if ends is None else range_words(*ends))


def count_cell(counts: Mapping[str, int], name: str) -> Cell:
    """A count and its share of the stimuli."""
    number, stimuli = counts[name], counts["stimuli"]
    return Cell(f"{number:,} ({share(number, stimuli)})" if number else "0" if stimuli else NOTHING)


def late_cell(counts: Mapping[str, int], deadline_ns: int | None) -> Cell:
    """The late answers, where there is a deadline."""
    return Cell("no deadline") if deadline_ns is None else count_cell(counts, "late")


def margin_cell(margin: Margin) -> Cell:
    """What the deadline leaves, or why that cannot be told."""
    return Cell(margin.why_not.partition(":")[0] if margin.left_ns is None else duration(margin.left_ns))
