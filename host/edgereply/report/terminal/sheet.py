"""A table with a line for each run or condition, on stdout."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.cells import cell_len
from rich.console import Console
from rich.table import Table
from rich.text import Text

from edgereply.report.tables.rows import Cell, TableLine
from edgereply.report.terminal.console import is_plain, stdout_console
from edgereply.wording.evidence import grade_words
from edgereply.wording.numbers import clean

_WIDE = 320
_LEAST_NAME = 12
_GAP = 3  # between two columns


def print_sheet(headings: Sequence[str], lines: Sequence[TableLine], console: Console | None = None) -> None:
    """Print a table; on a narrow terminal several below each other, with name and grade in each.

    Args:
        headings: the name's, each cell's, and the grade's.
        lines: as many cells as there are headings between the first and the last.
        console: where; stdout where None. What is no terminal gets long lines, none folded.
    """
    console = console or stdout_console()
    if not console.is_terminal:
        console.width = max(console.width, _WIDE)
    names = [Text(clean(line.name), style="bold red" if line.bad else "bold") for line in lines]
    grades = [_grade(line.grade) for line in lines]
    cells = [[_cell(line.cells[place], console.is_terminal) for line in lines] for place in range(len(headings) - 2)]
    columns = list(zip(headings[1:-1], cells, strict=True))
    widths = [_width(*column) for column in columns]
    room = console.width - _width(headings[-1], grades)
    if _width(headings[0], names) + sum(width + _GAP for width in (*widths, 0)) <= room:
        console.print(_table(console, (headings[0], names, 0), columns, (headings[-1], grades)))
        return
    grades = [_grade(line.grade, "\n") for line in lines]
    room = console.width - _width(headings[-1], grades) - 2 * _GAP
    longest = min(_width(headings[0], names), max(_LEAST_NAME, console.width // 4))
    while columns:
        fits = _how_many(widths, room - longest)
        console.print(_table(console, (headings[0], names, longest), columns[:fits], (headings[-1], grades)))
        columns, widths = columns[fits:], widths[fits:]
        if columns:
            console.print()
        if all(":" in name.plain for name in names):  # the letter is enough from the second table on
            names = [name.split(":")[0] for name in names]
            longest = _width(headings[0], names)


def _table(
    console: Console, name: tuple[str, list[Text], int], columns: Sequence[tuple[str, list[Text]]],
    grade: tuple[str, list[Text]],
) -> Table:  # fmt: skip
    table = Table(box=box.ASCII2 if is_plain(console) else box.HORIZONTALS, show_edge=False, pad_edge=False)
    table.add_column(name[0], overflow="fold", max_width=name[2] or None)
    for heading, cells in columns:
        table.add_column(heading, overflow="fold", justify="right", min_width=_width(heading, cells))
    table.add_column(grade[0], overflow="fold", min_width=_width(*grade))
    for row in zip(name[1], *(cells for _, cells in columns), grade[1], strict=True):
        table.add_row(*row)
    return table


def _how_many(widths: Sequence[int], room: int) -> int:
    """Columns from the first on that there is room for; one at least."""
    fits = 0
    while fits < len(widths) and sum(widths[: fits + 1]) + _GAP * fits <= room:
        fits += 1
    return max(1, fits)


def _width(heading: str, cells: Sequence[Text]) -> int:
    return max(cell_len(part) for text in (heading, *(cell.plain for cell in cells)) for part in text.split("\n"))


def _cell(cell: Cell, narrow: bool) -> Text:
    if not cell.interval:
        return Text(cell.value)
    return Text.assemble(cell.value, (f"{chr(10) if narrow else ' '}[{cell.interval}]", "dim"))


def _grade(grade: str, gap: str = " ") -> Text:
    virtual, dot, rest = grade_words(clean(grade)).partition(" · ")
    if virtual != "virtual":
        return Text(virtual)
    return Text.assemble(("VIRTUAL", "bold black on yellow"), dot.rstrip(), gap, rest)
