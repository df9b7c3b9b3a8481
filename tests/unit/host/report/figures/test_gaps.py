"""The figure of pairs, its words, and the dead time in the tables."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgereply.analysis.lateness.dead_time import GapStep, dead_time
from edgereply.comparison.compare import compare_entries
from edgereply.evaluation.gaps import Gaps
from edgereply.evaluation.run_view import RunView
from edgereply.report.figures.drawing import Points
from edgereply.report.figures.gaps import gaps, read_gaps
from edgereply.report.figures.page_drawing import page_drawing
from edgereply.report.figures.plots import draw, plots
from edgereply.report.tables.boards import board_table
from edgereply.report.tables.lines import comparison_lines
from tests.fakes.entries import entry_of
from tests.unit.host.report.runs import HOSTILE, shuffled, usual


def made(*answered: int, pairs: int = 3000) -> Gaps:
    """Steps of 10, 20, 40 µs ... of which so many pairs were answered."""
    steps = [
        GapStep(step_ns=10_000 << i, low_ns=10_000 << i, high_ns=10_000 << i, pairs=pairs, answered=count, late=0,
                coalesced=pairs - count, missed=0, unknown=0)
        for i, count in enumerate(answered)
    ]  # fmt: skip
    return Gaps(steps, dead_time(steps), 25_000, None)


def view(*answered: int, **changes: object) -> RunView:
    return replace(usual(), gaps=made(*answered), **changes)  # type: ignore[arg-type]


def test_a_point_a_gap_with_its_interval_and_a_line_at_the_dead_time() -> None:
    drawing = gaps([view(0, 1500, 3000, 3000)])
    assert drawing is not None
    [panel] = drawing.panels
    [points] = [item for item in panel.items if isinstance(item, Points)]
    assert list(points.y) == [0, 50, 100, 100]
    # Clopper-Pearson of 1500 in 3000, and of all of 3000: 1 - 0.025^(-1/3000) by hand.
    assert points.low[1] == pytest.approx(48.194, abs=2e-3)
    assert points.low[2] == pytest.approx(100 * 0.025 ** (1 / 3000), abs=1e-6)
    assert points.high[2] == 100
    [flag] = panel.flags
    assert flag.text == "dead time 40.0 µs"
    assert flag.at == pytest.approx(points.x[2])


def test_no_line_where_none_is_proven() -> None:
    drawing = gaps([view(0, 1500, 2000)])
    assert drawing is not None
    assert drawing.panels[0].flags == ()


def test_equal_dead_times_share_a_line_and_too_many_have_no_words() -> None:
    same = gaps([view(0, 3000), view(1, 3000)])
    assert same is not None
    assert [flag.text for flag in same.panels[0].flags] == ["A, B: dead time 20.0 µs"]
    many = gaps([view(*[0] * n, 3000) for n in range(8)])
    assert many is not None
    assert [flag.text for flag in many.panels[0].flags] == [""] * 8


def test_runs_without_pairs_are_left_out_and_that_is_said() -> None:
    drawing = gaps([usual(), view(0, 3000)])
    assert drawing is not None
    assert drawing.notes[-1] == "1 of 2 runs had no pairs and are not in this figure."
    assert gaps([usual()]) is None
    assert [plot.key for plot in plots([usual()])].count("gaps") == 0
    assert [plot.key for plot in plots([view(0, 3000)])].count("gaps") == 1


def test_it_is_a_figure_by_its_name_and_hostile_titles_stay_words() -> None:
    drawing = draw("gaps", [view(0, 3000, title=HOSTILE), view(0, 3000, title=HOSTILE)])
    assert drawing is not None
    assert "\x1b" not in str(page_drawing(drawing))


def test_the_words_have_all_gaps_and_what_became_of_them() -> None:
    reading = read_gaps([view(0, 1500, 3000, 3000)])
    assert reading.sentence.startswith(
        "Dead time: two edges 40.0 µs or more apart are both answered in at least 99.9 %"
    )
    assert [row[0] for row in reading.rows] == ["10.0 µs", "20.0 µs", "40.0 µs", "80.0 µs"]
    assert reading.rows[1][1:3] == ("3,000", "1,500")
    assert reading.rows[1][5] == "1,500"
    assert all(len(row) == len(reading.header) for row in reading.rows)
    several = read_gaps([view(0, 3000), usual(), view(3000)])
    assert [row[0] for row in several.rows] == ["A: 10.0 µs", "A: 20.0 µs", "C: 10.0 µs"]


def test_the_table_for_a_slide_has_a_column_only_where_a_run_has_pairs() -> None:
    assert "dead time" not in board_table([usual()], None).headings
    table = board_table([view(0, 3000), usual(), view(2000), replace(usual(), gaps=made(10, pairs=10))], None)
    place = table.headings.index("dead time") - 1
    assert [row.cells[place] for row in table.rows] == ["20.0 µs", "–", "none found", "needs 2,995 pairs a gap"]
    assert [record.get("dead_time_ns") for record in table.records] == [20_000, None, None, None]
    assert any(note.startswith("Dead time: the gap from which on at least 99.9 %") for note in table.notes)


def test_a_comparison_has_the_column_likewise() -> None:
    plain = [entry_of("a", [shuffled(500)]), entry_of("b", [shuffled(500)])]
    assert "dead time" not in comparison_lines(compare_entries(plain, one_series=False))[0]
    paired = [entry_of("a", [shuffled(500)], changes={"gaps": made(0, 3000)}), plain[1]]
    found = compare_entries(paired, one_series=False)
    headings, cells, notes = comparison_lines(found)
    place = headings.index("dead time")
    assert [line[place].value for line in cells] == ["20.0 µs", "–"]
    assert any(note.startswith("Dead time:") for note in notes)
    assert found.as_dict()["runs"][0]["gaps"]["dead_time"]["gap_ns"] == 20_000
    assert "gaps" not in found.as_dict()["runs"][1]
