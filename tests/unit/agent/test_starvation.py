"""A worker that lets nothing else run: checked before, ended by the keeper when the session stands still."""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.errors import SettingError
from edgereply_agent.keeper import Keeper
from edgereply_agent.settings import Realtime
from edgereply_agent.starvation import GUARD_S, SHORTEST_S, check_throttle, guard_s, guard_warning, throttle_off
from edgereply_protocol import Fault, Start, Started, Stop, Stopped
from tests.fakes.agent_process import AgentProcess, gone
from tests.unit.agent.conftest import VirtualBoard


def kernel(folder: Path, runtime: str, period: str = "1000000\n") -> str:
    (folder / "sched_rt_runtime_us").write_text(runtime)
    (folder / "sched_rt_period_us").write_text(period)
    return str(folder)


@pytest.mark.parametrize(
    ("runtime", "off"), [("950000\n", False), ("0\n", False), ("-1\n", True), ("1000000\n", True), ("?", False)]
)
def test_throttle_is_off_without_a_limit(tmp_path: Path, runtime: str, off: bool) -> None:
    assert throttle_off(kernel(tmp_path, runtime)) is off


def test_a_kernel_that_does_not_say_is_taken_to_throttle(tmp_path: Path) -> None:
    assert not throttle_off(str(tmp_path))


@pytest.mark.parametrize(
    ("allowed", "cpus"), [({0}, None), ({0}, (0,)), ({3}, (2, 3))], ids=["any", "the same", "perhaps the same"]
)
def test_spinning_on_the_only_cpu_without_throttle_is_refused(
    tmp_path: Path, allowed: set[int], cpus: tuple[int, ...] | None
) -> None:
    wanted = Realtime(fifo_priority=50, cpus=cpus)
    with pytest.raises(SettingError, match="would keep everything else from running") as refused:
        check_throttle(wanted, True, allowed, kernel(tmp_path, "-1"))
    assert refused.value.where == "settings.realtime.fifo_priority"
    assert "sched_rt_runtime_us" in refused.value.remedy


@pytest.mark.parametrize(
    ("runtime", "fifo", "spins", "allowed", "cpus", "warnings"),
    [
        ("-1", 50, True, {0, 1}, None, 1),
        ("-1", 50, True, {0}, (1,), 1),
        ("-1", None, True, {0}, None, 0),
        ("-1", 50, False, {0}, None, 0),
        ("950000", 50, True, {0}, None, 0),
    ],
    ids=["another cpu", "an isolated cpu", "no priority", "block", "throttled"],
)
def test_what_leaves_room_is_allowed(
    tmp_path: Path,
    runtime: str,
    fifo: int | None,
    spins: bool,
    allowed: set[int],
    cpus: tuple[int, ...] | None,
    warnings: int,
) -> None:
    wanted = Realtime(fifo_priority=fifo, cpus=cpus)
    assert len(check_throttle(wanted, spins, allowed, kernel(tmp_path, runtime))) == warnings


@pytest.mark.parametrize(
    ("runtime", "fifo", "spins", "dead_man_s", "expected"),
    [
        ("950000", 50, True, 30, GUARD_S),
        ("950000", 50, True, 5, 5),
        ("950000", 50, True, 1, SHORTEST_S),
        ("-1", 50, False, 30, GUARD_S),
        ("950000", 50, False, 30, 0),
        ("-1", None, True, 30, 0),
    ],
)
def test_only_what_could_starve_the_session_is_guarded(
    tmp_path: Path, runtime: str, fifo: int | None, spins: bool, dead_man_s: int, expected: int
) -> None:
    assert guard_s(fifo, spins, dead_man_s, kernel(tmp_path, runtime)) == expected


@pytest.mark.parametrize(("keepers", "warned"), [(51, False), (50, True), (0, True)])
def test_a_keeper_that_is_not_above_is_warned_of(keepers: int, warned: bool) -> None:
    assert bool(guard_warning(50, keepers)) is warned


class Output:
    """A level in a file, set by another process."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.path.write_text("1")

    def low(self) -> None:
        self.path.write_text("0")

    def close(self) -> None:
        pass


def sleeper() -> int:
    pid = os.fork()
    if pid == 0:
        time.sleep(60)
        os._exit(0)
    return pid


def guarded(folder: Path, limit_s: float) -> tuple[Keeper, Output, int]:
    output: Any = Output(folder / "level")
    keeper = Keeper([output], [], ())
    worker = sleeper()
    keeper.watch(worker)
    keeper.arm(limit_s)
    return keeper, output, worker


def test_the_keeper_ends_workers_when_the_session_stands_still(tmp_path: Path) -> None:
    keeper, output, worker = guarded(tmp_path, 0.2)
    assert gone(worker, 20)
    assert os.waitpid(worker, 0)[1] == signal.SIGKILL
    assert gone(keeper.pid, 20)
    assert keeper.starved
    assert output.path.read_text() == "0"
    keeper.release()


def test_beats_and_disarming_keep_it_quiet(tmp_path: Path) -> None:
    keeper, output, worker = guarded(tmp_path, 0.4)
    try:
        for _ in range(60):
            keeper.beat()
            time.sleep(0.02)
        assert keeper.alive()
        keeper.disarm()
        time.sleep(1.2)
        assert keeper.alive()
        assert not keeper.starved
        assert output.path.read_text() == "1"
    finally:
        os.kill(worker, signal.SIGKILL)
        os.waitpid(worker, 0)
        keeper.release()
    assert not keeper.alive()


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root")
@pytest.mark.parametrize(("wait", "expected"), [("spin", SHORTEST_S), ("block", None)])
def test_a_spinning_responder_of_a_priority_is_guarded_and_no_other(
    board: VirtualBoard, wait: str, expected: int | None
) -> None:
    realtime = {"fifo_priority": 5, "cpus": None, "lock_memory": False, "hold_cpu_latency": False}
    board.agent.greet()
    in_effect = board.agent.configure("respond", board.settings(realtime=realtime, dead_man_s=1, wait=wait)).in_effect
    assert in_effect["realtime"]["fifo_priority"] == 5
    assert in_effect["guard_s"] == expected


# A guarded responder that sleeps: a spinning one of a priority would take a CPU from the other tests.
GUARDED = """
from edgereply_agent.tasks import base
base.guard_s, base.guard_warning = lambda *_: 3, lambda *_: []
from edgereply_agent.__main__ import main
raise SystemExit(main())
"""


def test_a_session_that_stood_still_has_its_responder_ended_and_says_so(board: VirtualBoard) -> None:
    with AgentProcess([sys.executable, "-c", GUARDED]) as agent:
        agent.greet()
        assert agent.configure("respond", board.settings(dead_man_s=1)).in_effect["guard_s"] == 3
        assert board.wires.wires
        agent.send(Start())
        agent.expect(Started)
        (worker,) = agent.children()["workers"]
        agent.process.send_signal(signal.SIGSTOP)
        assert gone(worker, 30)
        agent.process.send_signal(signal.SIGCONT)
        message = agent.next()
        while not isinstance(message, Fault):
            message = agent.next()
        assert message.code == "responder-died"
        assert "the agent stood still for 3 s" in message.what
        agent.expect(Stopped)
        assert set(board.wires.changes_until_closed()) == {0}


def test_a_session_that_goes_on_keeps_its_responder(board: VirtualBoard) -> None:
    with AgentProcess([sys.executable, "-c", GUARDED]) as agent:
        agent.greet()
        agent.configure("respond", board.settings())
        assert board.wires.wires
        agent.send(Start())
        agent.expect(Started)
        time.sleep(7)
        board.pulse()
        agent.send(Stop())
        assert agent.expect(Stopped).answered == 1


def test_the_longest_guard_is_eight_seconds(tmp_path: Path) -> None:
    """Kernels complain of a CPU that is kept for some ten seconds and more; a host gives up on a silent board later."""
    assert guard_s(50, True, 30, kernel(tmp_path, "950000\n")) == 8
    assert guard_s(50, True, 7, kernel(tmp_path, "950000\n")) == 7
    assert guard_s(50, True, 1, kernel(tmp_path, "950000\n")) == 3


@pytest.mark.parametrize(("responder", "keeper"), [(50, 51), (98, 99), (99, 99)])
def test_the_keeper_is_one_priority_above(monkeypatch: pytest.MonkeyPatch, responder: int, keeper: int) -> None:
    """The scheduler is pretended: real priorities need rights. The process is forked, so it has the pretence too."""
    had: list[int] = [0]
    param = os.sched_param
    monkeypatch.setattr(os, "sched_setscheduler", lambda _pid, _policy, wanted: had.append(wanted.sched_priority))
    monkeypatch.setattr(os, "sched_getparam", lambda _pid: param(had[-1]))
    monkeypatch.setattr("edgereply_agent.keeper.c_library", lambda: None)
    found = Keeper([], [], (), responder)
    try:
        end = time.monotonic() + 20.0
        while not found.priority() and time.monotonic() < end:
            time.sleep(0.005)
        assert found.priority() == keeper
    finally:
        found.release()
