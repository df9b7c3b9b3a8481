"""What stands in where nothing was stamped: in counts as what it is, in segments as the median of the others."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import Status
from edgereply.evaluation.board_side import BoardSide
from edgereply.evaluation.evaluate import _inside
from edgereply.evaluation.explanation import _whole_segments


def side(watched: bool, rows: int) -> BoardSide:
    edge = np.arange(rows, dtype=np.int64) * 1_000_000
    return BoardSide(
        edge_ns=edge, status=np.full(rows, Status.PAIRED, np.uint8), answer_ns=edge + 40_000,
        width_ns=np.full(rows, 25_000, np.int64), spurious=0, segments={}, notes=["by the board"], watched=watched,
    )  # fmt: skip


@pytest.mark.parametrize("watched", [False, True])
def test_stimuli_of_which_the_board_has_no_row(watched: bool) -> None:
    """An agent that answers missed them; one that only watches cannot know, and they are in no figure."""
    found = _inside(np.arange(10, dtype=np.int64) * 1_000_000, side(watched, 7), None)
    assert found.counts["responses"] == 7
    if watched:
        assert (found.counts["unseen"], found.counts["stimuli"], found.counts["missed"]) == (3, 7, 0)
        assert any("3 stimuli left no stamp" in note for note in found.notes)
    else:
        assert (found.counts.get("unseen"), found.counts["stimuli"], found.counts["missed"]) == (None, 10, 3)


def test_an_answer_without_a_stamp_has_the_median_of_the_others() -> None:
    """So it pulls no segment either way; what was held is no part of a reaction."""
    wake = np.array([10, NO_STAMP, 30, 50], np.int64)
    result: Any = SimpleNamespace(segments={"wake_delay": wake, "hold": wake})
    found = _whole_segments(result, np.ones(4, np.bool_), np.ones(4, np.bool_))
    assert found is not None
    assert {name: values.tolist() for name, values in found.items()} == {"wake_delay": [10, 30, 30, 50]}
    nobody = _whole_segments(result, np.ones(4, np.bool_), np.array([True, False, True, True]))
    assert nobody is not None
    assert nobody["wake_delay"].tolist() == wake.tolist(), "of an answer that is none nothing is made up"
