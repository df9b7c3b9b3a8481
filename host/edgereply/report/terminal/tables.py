"""The summary after a run, and several runs beside each other."""

from __future__ import annotations

from collections.abc import Sequence

from rich import box
from rich.console import Console, ConsoleOptions, RenderResult
from rich.table import Table
from rich.text import Text

from edgereply.analysis.arrays.histogram import histogram
from edgereply.analysis.arrays.presence import present
from edgereply.evaluation.run_view import COMPLETE, RunView, letter
from edgereply.report.tables.context_rows import context_group
from edgereply.report.tables.interval_words import interval_words
from edgereply.report.tables.rows import Cell, summary_groups
from edgereply.report.terminal.bars import bar_note, histogram_lines
from edgereply.report.terminal.console import is_plain, stderr_console
from edgereply.wording.evidence import measured_by
from edgereply.wording.numbers import clean

_BINS = 18


def stamp(evidence: str, virtual: bool) -> Text:
    """The grade of evidence; "virtual" stands out without colour too, in capitals."""
    grade = Text(measured_by(clean(evidence), False))
    return Text.assemble(("VIRTUAL", "bold black on yellow"), " · ", grade) if virtual else grade


class SummaryTable:
    """The figures of one run with their intervals, or of several runs in columns.

    Print it on a rich console.
    """

    def __init__(self, views: Sequence[RunView]) -> None:
        """
        Args:
            views: one or more runs.
        """
        self._views = list(views)

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        several = len(self._views) > 1
        table = Table(box=box.ASCII2 if is_plain(console) else box.HORIZONTALS, show_edge=False, pad_edge=False)
        table.add_column("", overflow="fold")
        if several:
            for index, view in enumerate(self._views):
                table.add_column(_heading(index, view), overflow="fold")
        else:
            yield Text.assemble((clean(self._views[0].title), "bold"), "  ", self._grade(0))
            table.add_column(self._grade(0), overflow="fold")
            table.add_column("95 % interval", style="dim", overflow="fold")
        groups = [*summary_groups(self._views), context_group(self._views)]
        for group in groups:
            table.add_row(Text(clean(group.label), style="bold"), *([""] * (len(self._views) if several else 2)))
            for row in group.rows:
                cells = [_joined(cell) for cell in row.cells] if several else _apart(row.cells[0])
                table.add_row(Text(f"  {row.label}"), *cells)
            if group is not groups[-1]:
                table.add_section()
        yield table
        for line in interval_words(self._views):
            yield Text(line, style="dim")
        for index, view in enumerate(self._views):
            if view.status != COMPLETE:
                yield Text(f"{letter(index)}: the run is {clean(view.status)}", style="bold red")

    def _grade(self, index: int) -> Text:
        return stamp(self._views[index].evidence, self._views[index].virtual)


def show_summary(views: Sequence[RunView], console: Console | None = None) -> None:
    """Print the table and, for each run, the distribution of its reaction time.

    Args:
        views: one or more runs.
        console: where; stderr where None.
    """
    console = console or stderr_console()
    console.print(SummaryTable(views))
    for index, view in enumerate(views):
        counted = histogram(present(view.reaction_ns), _BINS)
        console.print()
        name = f"{letter(index)}: {clean(view.title, 60)}" if len(views) > 1 else "Reaction time"
        console.print(Text.assemble((name, "bold"), "  ", stamp(view.evidence, view.virtual)))
        width = max(10, min(60, console.width - 36))
        for line in histogram_lines(counted, width, view.deadline_ns, is_plain(console)):
            console.print(line)
        console.print(Text(bar_note(counted), style="dim"))


def _heading(index: int, view: RunView) -> Text:
    return Text.assemble(
        (f"{letter(index)}: ", "bold"), clean(view.title, 40), "\n", stamp(view.evidence, view.virtual)
    )


def _joined(cell: Cell) -> Text:
    return Text.assemble(cell.value, (f"\n[{cell.interval}]" if cell.interval else "", "dim"))


def _apart(cell: Cell) -> list[Text]:
    return [Text(cell.value), Text(cell.interval)]
