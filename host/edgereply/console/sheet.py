"""A table with a line for each run or condition, on stdout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from edgereply.console.tables import is_plain
from edgereply.report.rows import Cell
from edgereply.report.text import clean

_WIDE = 320


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its name, its figures, and its grade of evidence, which says virtual where it is."""

    name: str
    cells: Sequence[Cell]
    grade: str
    bad: bool = False


def print_sheet(headings: Sequence[str], lines: Sequence[Line], console: Console | None = None) -> None:
    """Print a table.

    Args:
        headings: the name's, each cell's, and the grade's.
        lines: as many cells as there are headings between the first and the last.
        console: where; stdout where None. What is no terminal gets long lines, none folded.
    """
    console = console or Console(highlight=False)
    if not console.is_terminal:
        console.width = max(console.width, _WIDE)
    table = Table(box=box.ASCII2 if is_plain(console) else box.HORIZONTALS, show_edge=False, pad_edge=False)
    for place, heading in enumerate(headings):
        table.add_column(heading, overflow="fold", justify="left" if place in (0, len(headings) - 1) else "right")
    for line in lines:
        cells = [_cell(cell, console.is_terminal) for cell in line.cells]
        table.add_row(Text(clean(line.name), style="bold red" if line.bad else "bold"), *cells, _grade(line.grade))
    console.print(table)


def _cell(cell: Cell, narrow: bool) -> Text:
    if not cell.interval:
        return Text(cell.value)
    return Text.assemble(cell.value, (f"{chr(10) if narrow else ' '}[{cell.interval}]", "dim"))


def _grade(grade: str) -> Text:
    virtual, dot, rest = grade.partition(" · ")
    if virtual != "virtual":
        return Text(clean(grade))
    return Text.assemble(("VIRTUAL", "bold black on yellow"), dot, clean(rest))
