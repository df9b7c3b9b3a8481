"""The picture of the first edges: levels, edges, and where it ends."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats
from edgereply.report.terminal.timing import timing


def line(*at: float, low: bool = False) -> tuple[Floats, Bools]:
    return np.array(at, np.float64), (np.arange(len(at)) % 2 == 0) != low


def test_levels_and_edges_stand_where_they_were() -> None:
    said = timing({"eye": line(1_000, 3_000), "coil": line(2_000, 4_000, low=True), "still": line()}, 10_000, 31)
    assert said == [
        "first edges, 760 ns to 4.24 µs from the start, 112 ns a column:",
        # Columns of 3,480 / 31 ns: edges lie 2.1, 20.0 − ε and 11.0 + ε, 28.9 columns after 760 ns.
        "  eye              " + "▁" * 2 + "│" + "▔" * 16 + "│" + "▁" * 11,
        "  coil             " + "▔" * 11 + "│" + "▁" * 16 + "│" + "▔" * 2,
    ]


def test_it_ends_at_the_longest_pause_of_the_first_edges() -> None:
    stimuli = [n * 1e6 + d for n in range(5) for d in (0.0, 100.0)]
    answers = [n * 1e6 + d for n in range(5) for d in (40.0, 160.0)]
    said = timing({"eye": line(*stimuli), "coil": line(*answers)}, 6e6)
    assert said[0].startswith("first edges, 0 ns to 173 ns from the start")
    assert [row.count("│") for row in said[1:]] == [2, 2]


def test_edges_too_near_for_a_column_are_marked() -> None:
    (_, row) = timing({"eye": line(0.0, 1.0, 10_000.0, 20_000.0)}, 30_000, 40)
    assert row.count("║") == 1
    assert row.count("│") == 2


def test_no_edges_no_picture_and_one_edge_is_in_it() -> None:
    assert timing({"eye": line()}, 1_000) == []
    (_, row) = timing({"eye": line(500.0)}, 1_000)
    assert row.count("│") == 1
    assert "▁│▔" in row


def test_no_more_lines_than_fit_and_names_that_fit() -> None:
    said = timing({f"a rather long name {n}": line(10.0, 20.0) for n in range(20)}, 100)
    assert len(said) == 9
    assert {len(row) for row in said[1:]} == {len(said[1])}
