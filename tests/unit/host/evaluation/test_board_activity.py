from typing import Any

import pytest

from edgereply.evaluation.board_activity import Activity, activity, busy_caution
from edgereply.evaluation.cautions import cautions
from tests.fakes.records import run_record

SECOND = 1_000_000_000


def environment(**changes: Any) -> dict[str, Any]:
    """Ten seconds of a board with two processors: 2000 ticks, 300 of them at work; the agent used one second."""
    ticks = {"user": 200, "nice": 0, "system": 60, "idle": 1650, "iowait": 50, "irq": 10, "softirq": 30, "steal": 0}
    during = {
        "elapsed_ns": 10 * SECOND, "cpu_ticks": ticks, "interrupts": 5_000, "reading": {"gauge runnable": 3},
        "cpu_ns": {"responder": SECOND // 2, "session": SECOND // 2},
    } | changes  # fmt: skip
    return {"cpu_count": 2, "during": during}


def found(load_made: bool = False, **changes: Any) -> Activity:
    result = activity(environment(**changes), [{"gauge runnable": 1}, {"gauge runnable": 2}], load_made)
    assert result is not None
    return result


def test_others_are_what_neither_idles_nor_is_ours() -> None:
    """By hand: 300 of 2000 ticks at work is 0.15; ours is 1 s of 2 x 10 s, 0.05."""
    result = found()
    assert result.others_share == pytest.approx(0.10)
    # The reading process itself does not count: (0 + 1 + 2) / 3 tasks on two processors.
    assert result.run_queue == pytest.approx(0.5)
    assert result.interrupts_per_s == 500
    assert "10%" in result.sentence()
    assert "run queue 0.5 per CPU" in result.sentence()
    assert "500 interrupts a second" in result.sentence()


def test_a_busy_board_is_said_unless_load_was_made() -> None:
    busy = found(cpu_ns={"responder": 1})
    assert busy.busy
    assert "but the board was busy" in busy_caution(busy.as_dict())
    assert "15%" in busy_caution(busy.as_dict())
    assert busy_caution(found(load_made=True, cpu_ns={"responder": 1}).as_dict()) == ""
    idle = found(cpu_ns={"responder": 2 * SECOND})
    assert not idle.busy
    assert busy_caution(idle.as_dict()) == busy_caution({}) == ""


def test_what_the_board_does_not_tell_is_none() -> None:
    assert activity({}, [], False) is None
    assert found(cpu_ns={}).others_share is None, "without its own share, the agent would pass for others"
    assert found(cpu_ticks=None).others_share is None
    bare = activity({"during": {}}, [], False)
    assert bare is not None
    assert (bare.others_share, bare.run_queue, bare.interrupts_per_s) == (None, None, None)
    assert bare.sentence() == ""
    assert not bare.busy


def test_shares_stay_within_nought_and_one() -> None:
    assert found(cpu_ns={"responder": 100 * SECOND}).others_share == 0
    assert found(cpu_ticks={"user": 10, "idle": 0}).others_share == pytest.approx(0.95)


def test_load_that_ended_early_is_told() -> None:
    result = found(load_made=True, load={"ended": ["storage 1: it has done all it may"]})
    assert result.trouble == ("Load ended before the run did: storage 1: it has done all it may.",)
    assert result.as_dict()["trouble"] == list(result.trouble)


@pytest.mark.parametrize(("route", "shown"), [("chardev", True), ("virtual", False)])
def test_a_run_on_a_busy_board_says_so_where_there_is_a_board(route: str, shown: bool) -> None:
    activity = found(cpu_ns={"responder": 1}).as_dict()
    record = run_record(evidence="joined", requested={"board": {"route": route}}, activity=activity)
    assert any("the board was busy" in line for line in cautions(record, {})) is shown
