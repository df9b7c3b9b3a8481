"""The tasks on a fake kernel, with real forked processes; stimulate over virtual wires as well."""

from __future__ import annotations

import errno
import itertools
import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.arrivals import intervals_ns
from edgereply_agent.errors import AgentError
from edgereply_agent.routes import registry
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips
from edgereply_agent.settings import Reader, read_plan
from edgereply_agent.tasks import make
from edgereply_agent.tasks.base import Task
from edgereply_protocol import Block, Layout, Stamps, Stop, Stopped
from tests.fakes.agent_process import gone, open_fds
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine
from tests.unit.agent.conftest import VirtualBoard

WAIT_S = 10.0
PLAN = {
    "pattern": "uniform", "period_ns": 3_000_000, "spread_ns": 1_000_000, "width_ns": 100_000, "count": 20, "seed": 9
}  # fmt: skip


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeGpioKernel]:
    """A fake kernel behind the route chardev."""
    made = FakeGpioKernel(tmp_path, [FakeChip("bank", [FakeLine("IN"), FakeLine("OUT"), FakeLine("FALL")])])
    chips = Chips(f"{tmp_path}/", made.ioctl)
    monkeypatch.setattr(registry, "load", lambda name: ChardevRoute(chips))
    yield made
    made.close()


def settings(*roles: str, **changes: Any) -> dict[str, Any]:
    """Lines by role=NAME."""
    lines = {role: {"line": name} for role, name in (pair.split("=") for pair in roles)}
    return {"route": "chardev", "lines": lines, **changes}


def until(condition: Any) -> None:
    """Wait."""
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.001)


def blocks(task: Task) -> list[Block]:
    """All blocks of an ended task."""
    assert task.ended
    found = []
    while (block := task.next_block()) is not None:
        found.append(block)
    return found


def test_respond_holds_the_lines_and_gives_them_back(kernel: FakeGpioKernel) -> None:
    task = make("respond", settings("input=IN", "output=OUT", event_buffer=100), ())
    assert (kernel.line("IN").consumer, kernel.line("OUT").consumer) == ("edgereply", "edgereply")
    assert task.in_effect["event_buffer"] == 128
    assert task.in_effect["lines"]["input"]["name"] == "IN"
    assert task.in_effect["observer"]["clock_ns"] > 0
    assert task.in_effect["observer"]["poll_ns"] > 0
    started_ns = task.start()
    at_ns = kernel.edge("IN")
    assert [kernel.change("OUT"), kernel.change("OUT")] == [1, 0]
    task.end()
    (block,) = blocks(task)
    assert block.columns["edge_ns"][0] in range(at_ns - 1_000_000, at_ns + 1)
    assert started_ns < at_ns
    task.close()
    assert kernel.level("OUT") == 0
    make("respond", settings("input=IN", "output=OUT"), ()).close()


def test_a_worker_that_dies_while_the_task_is_looked_at_has_not_ended_as_it_should(
    kernel: FakeGpioKernel, monkeypatch: pytest.MonkeyPatch
) -> None:
    task = make("respond", settings("input=IN", "output=OUT"), ())
    (worker,) = task._workers
    plain, asked = worker.alive, iter([True])
    os.kill(worker.pid, signal.SIGKILL)
    assert gone(worker.pid)
    monkeypatch.setattr(worker, "alive", lambda: next(asked, False) or plain())
    assert task.check() is None, "alive when asked first"
    ended = task.check()
    assert ended is not None
    assert ended[1] is not None
    assert "killed by signal 9" in ended[1].what
    task.close()


def test_failed_set_up_gives_back_what_it_took(kernel: FakeGpioKernel) -> None:
    before = open_fds()
    with pytest.raises(AgentError) as caught:
        make("respond", settings("input=NO", "output=OUT"), ())
    assert caught.value.code == "unknown-line"
    make("respond", settings("input=IN", "output=OUT"), ()).close()
    kernel.collect()
    assert open_fds() == before
    assert not any(line.consumer for line in kernel.chips[0].lines)


def test_processes_keep_no_descriptor_that_would_hide_an_end(kernel: FakeGpioKernel) -> None:
    """A worker with the keeper's pipe would keep the keeper asleep; one with the link, the host."""
    read_fd, write_fd = os.pipe()
    link = {str(Path(f"/proc/self/fd/{fd}").readlink()) for fd in (read_fd, write_fd)}
    task = make("respond", settings("input=IN", "output=OUT"), (read_fd, write_fd))
    assert task._keeper is not None
    pipe = str(Path(f"/proc/self/fd/{task._keeper.fd}").readlink())
    worker, keeper = (open_fds(pid) for pid in (task._workers[0].pid, task._keeper.pid))
    assert not link & {*worker.values(), *keeper.values()}
    assert pipe not in worker.values()
    # The keeper itself has the reading end only.
    assert list(keeper.values()).count(pipe) == 1
    task.close()
    os.close(read_fd)
    os.close(write_fd)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root")
def test_realtime_in_effect_is_the_responders(kernel: FakeGpioKernel) -> None:
    cpu = max(os.sched_getaffinity(0))
    wanted = {"fifo_priority": 3, "cpus": [cpu], "lock_memory": True, "hold_cpu_latency": True}
    task = make("respond", settings("input=IN", "output=OUT", realtime=wanted), ())
    in_effect = task.in_effect["realtime"]
    pid = task._workers[0].pid
    assert in_effect["fifo_priority"] == os.sched_getparam(pid).sched_priority == 3
    assert in_effect["cpus"] == sorted(os.sched_getaffinity(pid)) == [cpu]
    assert in_effect["lock_memory"] is True
    assert in_effect["hold_cpu_latency"] is ("/dev/cpu_dma_latency" in open_fds().values())
    assert in_effect["hold_cpu_latency"] or any("cpu_dma_latency" in warning for warning in task.warnings)
    task.close()


@pytest.mark.parametrize("fall", [False, True])
def test_observe_stamps_both_lines(kernel: FakeGpioKernel, fall: bool) -> None:
    lines = ["input=IN", "output=OUT", *(["output_fall=FALL"] if fall else [])]
    task = make("observe", settings(*lines), ())
    task.start()
    for _ in range(5):
        kernel.edge("IN")
        kernel.edge("OUT")
        kernel.edge("FALL" if fall else "OUT", kind=2)
        time.sleep(0.002)
    until(lambda: task.counts()[0] == 15)
    task.end()
    kinds = [kind for block in blocks(task) for kind in block.columns["kind"]]
    assert sorted(kinds) == [1] * 5 + [2] * 5 + [3] * 5
    assert task.counts() == (15, 0, 0)
    task.close()
    assert kernel.line("OUT").flags & (1 << 3) == 0, "nothing is driven"


def test_observe_takes_rises_alone_where_falls_could_not_be_told(kernel: FakeGpioKernel) -> None:
    task = make("observe", settings("input=IN", "output=OUT", edges="rising"), ())
    task.start()
    for _ in range(5):
        kernel.edge("IN")
        kernel.edge("OUT")
    until(lambda: task.counts()[0] == 10)
    task.end()
    kinds = [kind for block in blocks(task) for kind in block.columns["kind"]]
    assert sorted(kinds) == [1] * 5 + [2] * 5
    assert kernel.line("OUT").flags >> 4 & 3 == 1, "rising edges only"
    task.close()


def test_stimulate_captures_each_edge_by_a_line_of_its_own(kernel: FakeGpioKernel) -> None:
    task = make("stimulate", settings("stimulus=OUT", "capture=IN", "capture_fall=FALL", plan=PLAN | {"count": 5}), ())
    task.start()
    for _ in range(5):
        assert [kernel.change("OUT"), kernel.change("OUT")] == [1, 0]
        kernel.edge("IN")
        kernel.edge("FALL", kind=2)
    until(lambda: task.check() is not None)
    task.end()
    kinds = [kind for block in blocks(task) for kind in block.columns["kind"]]
    assert sorted(kinds) == [1] * 5 + [2] * 5 + [3] * 5
    edges = {name: kernel.line(name).flags >> 4 & 3 for name in ("IN", "FALL")}
    assert edges == {"IN": 1, "FALL": 2}, "one edge each"
    task.close()


@pytest.mark.parametrize("granted", [False, True])
def test_stamps_by_a_hardware_clock_are_asked_for_and_the_answer_is_told(kernel: FakeGpioKernel, granted: bool) -> None:
    """Kernels without it refuse with EOPNOTSUPP (drivers/gpio/gpiolib-cdev.c)."""
    kernel.hardware_clock = granted
    task = make("respond", settings("input=IN", "output=OUT", hardware_clock=True), ())
    found = task.in_effect["hardware_clock"]
    assert found == {"granted": granted, "why": "" if granted else os.strerror(errno.EOPNOTSUPP)}
    said = "granted, on a time base of its own that is not read yet" if granted else "refused: "
    assert [said in warning for warning in task.warnings] == [True]
    assert task.in_effect["event_clock"] == "monotonic", "the stamps of the run are the kernel's"
    task.close()
    plain = make("respond", settings("input=IN", "output=OUT"), ())
    assert "hardware_clock" not in plain.in_effect
    assert plain.warnings == []
    plain.close()


def test_pairs_are_a_gap_apart_as_far_as_the_board_can(kernel: FakeGpioKernel) -> None:
    """The gap counts from the first edge that there was, so it is never shorter than planned; so is the rest."""
    plan = PLAN | {"pattern": "pairs", "count": 8, "shortest_gap_ns": 200_000, "longest_gap_ns": 400_000}
    task = make("stimulate", settings("stimulus=OUT", "capture=IN", plan=plan), ())
    effect = task.in_effect["plan"]
    assert (effect["shortest_gap_ns"], effect["longest_gap_ns"]) == (200_000, 400_000)
    task.start()
    for _ in range(8):
        assert [kernel.change("OUT"), kernel.change("OUT")] == [1, 0]
    until(lambda: task.check() is not None)
    task.end()
    stimuli = sorted(at for block in blocks(task) for at in block.columns["at_ns"])
    planned = list(itertools.islice(intervals_ns(read_plan(Reader(plan, "plan"))), 8))[1:]
    assert len(stimuli) == 8
    for (before, after), interval_ns in zip(itertools.pairwise(stimuli), planned, strict=True):
        assert after - before >= interval_ns, "never early"
    task.close()


def test_stimulate_emits_its_plan_and_ends_by_itself(kernel: FakeGpioKernel) -> None:
    """The kernel's line OUT is the stimulus; each rise is answered on IN by hand."""
    task = make("stimulate", settings("stimulus=OUT", "capture=IN", plan=PLAN), ())
    assert task.in_effect["plan"]["count"] == 20
    started_ns = task.start()
    for _ in range(20):
        assert [kernel.change("OUT"), kernel.change("OUT")] == [1, 0]
        kernel.edge("IN")
        kernel.edge("IN", kind=2)
    until(lambda: task.check() is not None)
    assert task.check() == ("done", None)
    assert task.context()["emitted"] == 20
    assert task.context()["stimulus_uncertainty_ns"] > 0
    task.end()
    rows = sorted(
        (at, kind)
        for block in blocks(task)
        for at, kind in zip(block.columns["at_ns"], block.columns["kind"], strict=True)
    )
    assert [kind for _, kind in rows if kind != 1] == [2, 3] * 20
    stimuli = [at_ns for at_ns, kind in rows if kind == 1]
    assert len(stimuli) == 20
    due_ns = started_ns
    plan = read_plan(Reader(PLAN, "plan"))
    for at_ns, interval_ns in zip(stimuli, intervals_ns(plan), strict=False):
        due_ns += interval_ns
        assert at_ns >= due_ns, "never early"
    task.close()


def test_stimulate_obeys_a_stop(kernel: FakeGpioKernel) -> None:
    task = make("stimulate", settings("stimulus=OUT", "capture=IN", plan=PLAN | {"count": 10**9}), ())
    task.start()
    assert kernel.change("OUT") == 1
    task.end()
    assert task._workers[0].exit_status == 0
    assert kernel.level("OUT") == 0
    task.close()


def test_stimulate_over_virtual_wires(board: VirtualBoard) -> None:
    line = {"chip": str(board.wires.path), "line": 0}
    board.agent.greet()
    board.agent.configure("stimulate", {"route": "virtual", "lines": {"stimulus": line, "capture": line}, "plan": PLAN})
    assert board.wires.wires
    board.agent.start()
    sent = []
    for _ in range(20):
        rise_ns, high = board.wires.change()
        fall_ns, low = board.wires.change()
        assert (high, low) == (1, 0)
        assert fall_ns - rise_ns >= 100_000
        sent.append((rise_ns, board.wires.edge(1), board.wires.edge(2)))
    stopped = board.agent.expect(Stopped)
    assert stopped.reason == "done"
    assert (stopped.answered, stopped.lost, stopped.unrecorded) == (40, 0, 0)
    assert stopped.environment["during"]["emitted"] == 20
    columns = [message.block.columns for message in board.agent.seen if isinstance(message, Stamps)]
    rows = sorted((at, kind) for found in columns for at, kind in zip(found["at_ns"], found["kind"], strict=True))
    assert [kind for _, kind in rows if kind != 1] == [2, 3] * 20
    assert [at for at, kind in rows if kind == 2] == [rise for _, rise, _ in sent]


def test_stimulate_stopped_by_the_host(board: VirtualBoard) -> None:
    line = {"chip": str(board.wires.path), "line": 0}
    board.agent.greet()
    plan = PLAN | {"count": 2**32 - 1}
    board.agent.configure("stimulate", {"route": "virtual", "lines": {"stimulus": line, "capture": line}, "plan": plan})
    assert board.wires.wires
    board.agent.start()
    assert board.wires.change()[1] == 1
    board.agent.send(Stop())
    assert board.agent.expect(Stopped).reason == "stopped by the host"
    assert board.wires.changes_until_closed()[-1:] == [0]


def test_probe_sets_and_reads(kernel: FakeGpioKernel) -> None:
    lines = {"gate": {"line": "OUT", "direction": "output"}, "eye": {"line": "IN", "direction": "input"}}
    task = make("probe", {"route": "chardev", "lines": lines}, ())
    assert task.probe({}, ["gate", "eye"]) == {"gate": 0, "eye": 0}
    kernel.edge("IN")
    assert task.probe({"gate": 1}, ["gate", "eye"]) == {"gate": 1, "eye": 1}
    assert kernel.level("OUT") == 1
    for levels in ({"eye": 1}, {"gate": 2}, {"none": 1}):
        with pytest.raises(AgentError) as caught:
            task.probe(levels, [])
        assert caught.value.code == "bad-setting"
    with pytest.raises(AgentError, match="nothing to start"):
        task.start()
    task.close()
    assert kernel.level("OUT") == 0


@pytest.mark.parametrize(
    "wrong",
    [
        {"pattern": "daily"},
        {"period_ns": 100},
        {"width_ns": 2_000_000, "pattern": "periodic", "period_ns": 2_000_000},
        {"pattern": "uniform", "period_ns": 1_000_000, "spread_ns": 950_000},
        {"pattern": "exponential", "floor_ns": 4_000_000},
        {"count": 0},
        {"seed": 0},
        {"seed": True},
        {"pattern": "pairs"},
        {"pattern": "pairs", "shortest_gap_ns": 100, "longest_gap_ns": 100_000},
        {"pattern": "pairs", "shortest_gap_ns": 20_000, "longest_gap_ns": 10_000_000},
        {"pattern": "pairs", "shortest_gap_ns": 200_000, "longest_gap_ns": 100_000},
    ],
)
def test_plans_that_cannot_be(wrong: dict[str, Any]) -> None:
    with pytest.raises(AgentError) as caught:
        read_plan(Reader(PLAN | wrong, "plan"))
    assert caught.value.code == "bad-setting"
    assert caught.value.where.startswith("plan.")


def test_layout_of_events(kernel: FakeGpioKernel) -> None:
    task = make("observe", settings("input=IN", "output=OUT"), ())
    task.start()
    kernel.edge("IN")
    until(lambda: task.counts()[0] == 1)
    task.end()
    assert [block.layout for block in blocks(task)] == [Layout.EVENTS]
    task.close()
