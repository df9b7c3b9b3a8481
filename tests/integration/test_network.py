"""Links that are slow, lose packets or go silent: nothing that was committed is lost."""

from __future__ import annotations

import pytest
from tests.integration.commands import Workplace, await_that, explained
from tests.integration.network import FarBoard, far_board

from edgereply.storage.run_reader import RunReader

__all__ = ["far_board"]
COUNT = 600


def slow(board: FarBoard) -> None:
    board.slow("256kbit")


def lossy(board: FarBoard) -> None:
    board.lossy(10)


@pytest.mark.parametrize("spoil", [slow, lossy])
def test_a_bad_wire_costs_time_and_nothing_else(place: Workplace, far_board: FarBoard, spoil: object) -> None:
    """Deployed, measured and collected over it; the far end answered and reported every stimulus."""
    assert callable(spoil)
    spoil(far_board)
    place.write(far_board.bench(COUNT))
    done = place.run("measure", "--json", "--no-wiring", "--out", "run")
    assert done.code == 0, done.err
    reader = RunReader(place.root / "run")
    assert reader.record.state == "complete"
    assert (len(reader.source().edges()[0]), len(reader.board().edge_ns)) == (COUNT, COUNT)
    assert {reader.record.counts[name] for name in ("lost_records", "lost_edges", "unrecorded")} == {0}
    assert far_board.dropped() > 0
    await_that(lambda: not far_board.agents(), lambda: f"still there: {far_board.agents()}")


def test_a_wire_that_goes_silent_ends_the_run_and_keeps_it(place: Workplace, far_board: FarBoard) -> None:
    """No reset, no end of file: only a deadline can tell."""
    place.write(far_board.bench(200_000))
    run = place.root / "run"
    running = place.start("measure", "--json", "--no-wiring", "--out", str(run))
    running.until_committed(run)
    assert len(far_board.agents()) == 3
    far_board.cut()
    await_that(lambda: running.process.poll() is not None, lambda: running.err, 120.0)
    done = running.end()
    explained(done, 3, "far")
    reader = RunReader(run)
    assert reader.record.state == "incomplete"
    assert reader.record.reason
    assert len(reader.board().edge_ns) > 0
    # Responder and keeper have gone, the lines are free; the session still waits for a host that may only be slow.
    await_that(lambda: len(far_board.agents()) <= 1, lambda: f"the board went on: {far_board.agents()}", 90.0)
