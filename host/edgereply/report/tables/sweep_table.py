"""What a sweep found: a row a condition."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgereply.comparison.entries import Entrant
from edgereply.comparison.estimates import Figures, figures
from edgereply.report.tables.context_rows import context_columns
from edgereply.report.tables.lines import count_cell, late_cell, quantile_cell
from edgereply.report.tables.rows import Cell
from edgereply.report.terminal.sheet import Line
from edgereply.storage.series_record import SeriesRecord
from edgereply.wording.numbers import duration

HEADINGS = ("condition", "blocks", "stimuli", "median", "p99", "slowest", "missed", "late")
NOTE = (
    "Brackets: 95 % intervals that allow for clusters within the measured blocks (too clustered: "
    "answers depend on each other over stretches too long for one); the slowest answer has none, since "
    "no number of answers bounds the next one. Coalesced and ambiguous answers are in the JSON document."
)
_SHOWN = ("median_ns", "p99_ns")


def rows(entrants: Sequence[Entrant]) -> list[tuple[Entrant, Figures]]:
    """Every condition with its figures."""
    return [(entrant, figures(entrant.reaction_ns, entrant.known_to)) for entrant in entrants]


def sheet(found: Sequence[tuple[Entrant, Figures]]) -> tuple[list[str], list[Line], list[str]]:
    """The table as it is printed: headings, a line a row, and notes."""
    headings, cells, absent = context_columns([entrant.context for entrant, _ in found])
    rows = [_line(entrant, item, more) for (entrant, item), more in zip(found, cells, strict=True)]
    return [*HEADINGS, *headings, "evidence"], rows, [NOTE, *absent]


def document(
    directory: Path, record: SeriesRecord, found: Sequence[tuple[Entrant, Figures]], interrupted: bool, trouble: str
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
                "condition": entrant.name,
                "settings": record.conditions[entrant.name],
                "blocks": len(entrant.blocks),
                "planned": len(entrant.blocks) + len(entrant.trouble),
                **entrant.counts,
                "reaction": item.as_dict(),
                "evidence": entrant.evidence,
                "virtual": entrant.virtual,
                "deadline_ns": entrant.deadline_ns,
                "context": entrant.context,
                "trouble": list(entrant.trouble),
            }
            for entrant, item in found
        ],
    }


def _line(entrant: Entrant, item: Figures, more: Sequence[Cell]) -> Line:
    count = entrant.counts["responses"]
    cells = [
        Cell(f"{len(entrant.blocks)}/{len(entrant.blocks) + len(entrant.trouble)}"),
        Cell(f"{entrant.counts['stimuli']:,}"),
        *(quantile_cell(item.quantiles[name], item.needed.get(name, 0), count) for name in _SHOWN),
        Cell(duration(item.max_ns)),
        count_cell(entrant.counts, "missed"),
        late_cell(entrant.counts, entrant.deadline_ns),
        *more,
    ]
    return Line(entrant.name, cells, entrant.grade, bool(entrant.trouble))
