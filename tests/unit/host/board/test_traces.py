"""A trace of the board: taken apart into rows, and refused where it is not what an agent says."""

from __future__ import annotations

from array import array
from dataclasses import replace
from typing import Any

import pytest

from edgereply.board.answers import expect_sound
from edgereply.board.translation import trace_events, trace_settings
from edgereply.config.settings import Board
from edgereply.errors import BoardError
from edgereply_protocol import COLUMNS, Block, Layout, Traced

ANSWERS: list[dict[str, Any]] = [
    {"edge_ns": 100, "set_ns": 900, "why": "late", "rows": 2, "whole": True},
    {"edge_ns": 2000, "set_ns": 2100, "why": "usual", "rows": 0, "whole": False},
    {"edge_ns": 3000, "set_ns": 3900, "why": "late", "rows": 1, "whole": True},
]


def traced(**changes: Any) -> Traced:
    """Three events beside three answers; columns changed by name, `about` by key."""
    values = {"kind": [5, 6, 1], "at_ns": [50, 150, 3100], "number": [7, 8, 24], "name": [0, 1, 1], "before": [0, 2, 0]}
    columns = {
        name: array(code, changes.pop(name, values.get(name, [0, 0, 0]))) for name, code in COLUMNS[Layout.TRACE]
    }
    about = {"pid": 8, "answers": ANSWERS, "names": ["swapper/0", "answer"], **changes}
    return Traced(about, Block(Layout.TRACE, 0, columns))


def test_rows_stand_beside_their_answers() -> None:
    expect_sound(traced(), "gate")
    rows = trace_events(traced())
    assert rows.edge_ns.tolist() == [100, 100, 2000, 3000]
    assert rows.set_ns.tolist() == [900, 900, 2100, 3900]
    assert (rows.late.tolist(), rows.whole.tolist()) == ([1, 1, 0, 1], [1, 1, 0, 1])
    assert rows.kind.tolist() == [5, 6, 0, 1], "an answer without events keeps a row"
    assert rows.name.tolist() == ["swapper/0", "answer", "", "answer"]
    assert rows.pid.tolist() == [8] * 4


def test_nothing_is_nothing() -> None:
    empty = Traced(
        {"pid": 0, "answers": [], "names": []}, Block(Layout.TRACE, 0, {n: array(c) for n, c in COLUMNS[Layout.TRACE]})
    )
    expect_sound(empty, "gate")
    assert len(trace_events(empty).at_ns) == 0


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"answers": [*ANSWERS, ANSWERS[0]]}, "do not have 3 rows together"),
        ({"names": ["one"]}, "a name that is not there"),
        ({"at_ns": [1, 2, 2**62]}, "a time that no clock shows"),
        ({"kind": [5, 6, 99]}, "a kind that is not known"),
        ({"answers": "none"}, "answers: "),
        ({"answers": [{**ANSWERS[0], "why": "because"}]}, "why: "),
        ({"answers": [{**ANSWERS[0], "edge_ns": -1}]}, "edge_ns: "),
        ({"answers": [{**ANSWERS[0], "rows": "3"}]}, "rows: "),
        ({"names": ["x" * 300, "y"]}, "names.0: "),
        ({"pid": 2**40}, "pid: "),
    ],
)
def test_what_no_agent_says_is_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(BoardError, match="trace is not what an agent says") as caught:
        expect_sound(traced(**changes), "gate")
    assert said in str(caught.value)


def test_a_trace_that_says_nothing_of_itself_is_refused() -> None:
    with pytest.raises(BoardError, match="says nothing of itself"):
        expect_sound(replace(traced(), about={}), "gate")


def test_it_is_asked_for_only_where_it_is_wanted() -> None:
    board = Board(link="local", route="virtual")
    assert trace_settings(board, 5) == {}
    assert trace_settings(board.model_copy(update={"trace": True}), 5) == {"trace": {"deadline_ns": 5}}
    with pytest.raises(ValueError, match="no agent is there to 'trace'"):
        Board(responder="external", trace=True)
