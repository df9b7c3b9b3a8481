"""What a sweep found: a row a condition."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgereply.analysis.statistics.summary import SampleSummary, summarise
from edgereply.comparison.entries import Entry
from edgereply.report.tables.context_rows import context_columns
from edgereply.report.tables.lines import QUANTILE_NOTE, count_cell, late_cell, quantile_cell
from edgereply.report.tables.rows import Cell, TableLine
from edgereply.storage.series_record import SeriesRecord
from edgereply.wording.numbers import duration

HEADINGS = ("condition", "blocks", "stimuli", "median", "p99", "slowest", "missed", "late")
NOTE = (
    f"{QUANTILE_NOTE} The slowest answer has none, since no number of answers bounds the next one. Coalesced and "
    "unmatched answers are in the JSON document."
)
_SHOWN = ("median_ns", "p99_ns")


def rows(entries: Sequence[Entry]) -> list[tuple[Entry, SampleSummary]]:
    """Every condition with its estimate."""
    return [(entry, summarise(entry.reaction_ns, entry.known_to)) for entry in entries]


def sheet(found: Sequence[tuple[Entry, SampleSummary]]) -> tuple[list[str], list[TableLine], list[str]]:
    """The table as it is printed: headings, a line a row, and notes."""
    headings, cells, absent = context_columns([entry.context for entry, _ in found])
    rows = [_line(entry, item, more) for (entry, item), more in zip(found, cells, strict=True)]
    return [*HEADINGS, *headings, "measured by"], rows, [NOTE, *absent]


def document(
    directory: Path, record: SeriesRecord, found: Sequence[tuple[Entry, SampleSummary]], interrupted: bool, trouble: str
) -> dict[str, Any]:
    """The sweep as its one JSON document.

    Args:
        interrupted: the user stopped it.
        trouble: why it gave up; "" when it did not.
    """
    return {
        "series": str(directory),
        "title": record.title,
        "order_seed": record.order_seed,
        "interrupted": interrupted,
        "gave_up": trouble,
        "blocks": [block.model_dump(mode="json") for block in record.blocks],
        "conditions": [
            {
                "condition": entry.name,
                "settings": record.conditions[entry.name],
                "blocks": len(entry.blocks),
                "planned": len(entry.blocks) + len(entry.trouble),
                **entry.counts,
                "reaction": item.as_dict(),
                "evidence": entry.evidence,
                "virtual": entry.virtual,
                "deadline_ns": entry.deadline_ns,
                "context": entry.context,
                "trouble": list(entry.trouble),
            }
            for entry, item in found
        ],
    }


def _line(entry: Entry, item: SampleSummary, more: Sequence[Cell]) -> TableLine:
    cells = [
        Cell(f"{len(entry.blocks)}/{len(entry.blocks) + len(entry.trouble)}"),
        Cell(f"{entry.counts['stimuli']:,}"),
        *(quantile_cell(item, name) for name in _SHOWN),
        Cell(duration(item.max_ns)),
        count_cell(entry.counts, "missed"),
        late_cell(entry.counts, entry.deadline_ns),
        *more,
    ]
    return TableLine(entry.name, cells, entry.grade, bool(entry.trouble))
