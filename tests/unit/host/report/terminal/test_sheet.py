"""Tables of runs: whole on a wide terminal, several below each other on a narrow one, never a broken figure."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from edgereply.report.tables.rows import Cell, TableLine
from edgereply.report.terminal.sheet import print_sheet

HEADINGS = ("run", "group", "stimuli", "median", "p99", "slowest", "missed", "margin", "evidence")


def line(name: str, median: str = "40.0 µs", grade: str = "virtual · joined") -> TableLine:
    cells = [
        Cell("a"), Cell("10,000"), Cell(median, "35.8 µs to 45.1 µs"), Cell("204 µs", "185 µs to 239 µs"),
        Cell("2.44 ms"), Cell("0"), Cell("too clustered"),
    ]  # fmt: skip
    return TableLine(name, cells, grade)


LINES = [line("A: edgereply-demo/runs/block"), line("B: edgereply-demo/runs/spin", "13.6 µs", "loop-back")]


def printed(width: int, lines: list[TableLine], terminal: bool = True) -> str:
    file = io.StringIO()
    print_sheet(HEADINGS, lines, Console(file=file, width=width, force_terminal=terminal, color_system=None))
    return file.getvalue()


@pytest.mark.parametrize("width", [60, 80, 100, 140, 220])
def test_no_figure_and_no_heading_is_broken(width: int) -> None:
    text = printed(width, LINES)
    assert max(len(row) for row in text.splitlines()) <= width
    words = [
        "stimuli",
        "10,000",
        "[35.8 µs to 45.1 µs]",
        "[185 µs to 239 µs]",
        "too clustered",
        "2.44 ms",
        "source only",
    ]
    for word in words:
        assert word in text, word
    headings = [row for row in text.splitlines() if row.startswith("run ")]
    assert [word for row in headings for word in row.split()[1:-1]] == list(HEADINGS[1:-1])


def test_each_of_several_tables_names_its_runs_and_their_grade() -> None:
    tables = printed(60, LINES).split("\n\n")
    assert len(tables) > 1
    for table in tables:
        assert "VIRTUAL ·" in table
        assert "source and board" in table
        assert "source only" in table
        assert re.search(r"^A\b", table, re.MULTILINE)
        assert re.search(r"^B\b", table, re.MULTILINE)
    assert "block" in tables[0]


def test_where_no_letter_stands_for_a_name_the_name_is_repeated() -> None:
    for table in printed(50, [line("block"), line("spin")]).split("\n\n"):
        assert "block" in table
        assert "spin" in table


def test_there_is_one_table_where_it_fits_and_where_nobody_folds() -> None:
    assert printed(220, LINES).count("run ") == 1
    piped = printed(40, LINES, terminal=False)
    assert piped.count("run ") == 1
    assert "13.6 µs [35.8 µs to 45.1 µs]" in piped
