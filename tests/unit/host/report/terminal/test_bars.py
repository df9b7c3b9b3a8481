import numpy as np
import pytest

from edgereply.analysis.arrays.histogram import Histogram
from edgereply.report.terminal.bars import bar_note, histogram_lines


def lines(counts: list[int], deadline_ns: int | None = None, width: int = 10, plain: bool = False) -> list[str]:
    edges = 1000 * np.arange(1, len(counts) + 2, dtype=np.int64)
    shown = Histogram(edges_ns=edges, counts=np.array(counts, dtype=np.int64), scale="linear")
    return [line.plain for line in histogram_lines(shown, width, deadline_ns, plain)]


def test_bars_grow_with_the_logarithm_of_the_count() -> None:
    assert lines([1000, 10, 1, 0], width=8) == [
        "1.00 µs ████████ 1,000",
        "2.00 µs ████ 10",
        "3.00 µs ██ 1",
        "4.00 µs · 0",
    ]


def test_plain_terminals_get_ascii() -> None:
    shown = lines([1000, 1, 0], deadline_ns=2500, width=8, plain=True)
    assert shown[0].endswith("######## 1,000")
    bars = [line.replace("µs", "us") for line in shown]
    assert all(line.isascii() for line in bars)


@pytest.mark.parametrize(
    ("deadline", "after", "late"), [(999, None, 2), (1000, 0, 1), (1999, 0, 1), (2000, 1, 0), (3000, None, 0)]
)
def test_the_deadline_is_marked_in_its_line(deadline: int, after: int | None, late: int) -> None:
    shown = lines([5, 7], deadline_ns=deadline, width=40)
    rules = [i for i, line in enumerate(shown) if "deadline" in line]
    assert rules == ([] if after is None else [after + 1])
    assert sum(line.endswith(" late") for line in shown) == late


def test_nothing_yet() -> None:
    assert lines([]) == ["no answer yet"]


def test_the_note_says_how_to_read_it() -> None:
    shown = Histogram(edges_ns=np.array([1, 2]), counts=np.array([1234]), scale="linear")
    assert bar_note(shown).startswith("1,234 answers;")
