"""Which line a name means on a board, and what is refused."""

from __future__ import annotations

import pytest

from edgereply.board.line_choice import find, having, likely, line_facts, lines_of
from edgereply.errors import SettingError
from tests.fakes.inspected_board import REPORT

LINES = lines_of(REPORT)


def test_every_line_of_every_chip_is_there() -> None:
    assert len(LINES) == 65
    assert [line.name for line in LINES if line.user] == ["LAMP"]


def test_named_lines_that_nobody_holds_come_first() -> None:
    found = likely(LINES)
    assert len(found) == 64
    assert [line.name for line in found[:4]] == ["EYE_IN", "REJECT_OUT", "SPARE_IN", "SPARE_OUT"]
    named = [bool(line.name) for line in found]
    assert named == sorted(named, reverse=True)


def test_a_part_of_a_name_or_place_finds_lines_whatever_its_case() -> None:
    assert [line.name for line in having(LINES, "spare")] == ["SPARE_IN", "SPARE_OUT"]
    assert [line.name for line in having(LINES, "gpiochip0:3")][:1] == ["EYE_IN"]


def test_a_row_fits_beside_its_indent() -> None:
    assert max(len(f"  {line.row}") for line in LINES) <= 80


@pytest.mark.parametrize("text", ["EYE_IN", "gpiochip0:3"])
def test_a_line_is_found_by_name_and_by_place(text: str) -> None:
    assert find(LINES, text, "input").place == "gpiochip0:3"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("EYE_N", r"no line 'EYE_N'.*did you mean EYE_IN"),
        ("TWIN", r"several lines.*gpiochip0:32, gpiochip1:9"),
        ("LAMP", r"used by lamp driver.*choose another"),
        ("gpiochip0:7", r"used by lamp driver"),
    ],
)
def test_what_cannot_be_used_says_why(text: str, said: str) -> None:
    with pytest.raises(SettingError, match=said):
        find(LINES, text, "input")


def test_what_keeps_edges_from_who_holds_a_line_is_in_its_facts() -> None:
    line = {"direction": "input", "bias": "as-is", "debounce_us": 5000, "edges": "falling"}
    assert line_facts(line) == "input as-is debounce 5.00 ms falling edges only"
    assert line_facts({"direction": "input"}) == "input"
