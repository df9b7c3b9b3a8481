"""The floor responder, built and run for real: over virtual wires, and on a fake kernel built into it."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent import floor
from edgereply_agent.errors import AgentError
from edgereply_agent.inspection import responders
from edgereply_agent.routes import registry
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips
from edgereply_agent.tasks import make
from edgereply_protocol import Fault, Stamps, Stop, Stopped
from tests.fakes.agent_process import gone, open_fds
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine
from tests.tools import need
from tests.unit.agent.conftest import VirtualBoard

C_SOURCE = Path(floor.__file__).with_name("floor.c")
SHIM = Path(__file__).parents[2] / "fakes" / "floor_kernel.h"
LINES = {"route": "chardev", "lines": {"input": {"line": "IN"}, "output": {"line": "OUT"}}, "responder": "floor"}
WAIT_S = 10.0


@pytest.fixture(autouse=True, scope="module")
def compiler() -> str:
    """There is one."""
    return str(need("cc", "gcc", "libc6-dev"))


@pytest.fixture
def kernel(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeGpioKernel]:
    """A fake kernel behind the route chardev."""
    made = FakeGpioKernel(tmp_path, [FakeChip("bank", [FakeLine("IN"), FakeLine("OUT")])])
    chips = Chips(f"{tmp_path}/", made.ioctl)
    monkeypatch.setattr(registry, "load", lambda name: ChardevRoute(chips))
    yield made
    made.close()


def built(into: Path, *options: str) -> str:
    """Path of the program, built with these options by somebody else than the agent."""
    path = into / "floor"
    words = ["cc", "-std=gnu99", "-Wall", "-Wextra", "-Werror", "-O2", *options, "-o", str(path), str(C_SOURCE)]
    subprocess.run(words, check=True, timeout=60)
    return str(path)


def columns(board: VirtualBoard) -> dict[str, list[int]]:
    """All rows the agent has sent."""
    found: dict[str, list[int]] = {}
    for message in board.agent.seen:
        if isinstance(message, Stamps):
            for name, column in message.block.columns.items():
                found.setdefault(name, []).extend(column)
    return found


def floor_pid(board: VirtualBoard) -> int:
    """Process of the running program."""
    (pid,) = board.agent.children()["workers"]
    assert Path(f"/proc/{pid}/cmdline").read_bytes().startswith(b"edgereply-floor\0")
    return pid


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_answers_and_stamps(board: VirtualBoard, wait: str) -> None:
    board.respond(responder="floor", wait=wait, hold_ns=300_000)
    pulses = [board.pulse() for _ in range(20)]
    board.agent.send(Stop())
    stopped = board.agent.expect(Stopped)
    assert (stopped.answered, stopped.lost, stopped.unrecorded) == (20, 0, 0)
    rows = columns(board)
    assert rows["edge_ns"] == [edge_ns for edge_ns, _, _ in pulses]
    assert rows["seqno"] == rows["line_seqno"] == list(range(1, 21))
    for i, (edge_ns, rise_ns, fall_ns) in enumerate(pulses):
        order = [edge_ns, rows["wake_ns"][i], rise_ns, rows["set_ns"][i], fall_ns, rows["clear_ns"][i]]
        assert order == sorted(order)
        assert fall_ns - rise_ns >= 300_000


def test_says_what_it_was_made_of(board: VirtualBoard, compiler: str) -> None:
    board.agent.greet()
    in_effect = board.agent.configure("respond", board.settings(responder="floor")).in_effect
    assert in_effect["responder"] == "floor"
    assert in_effect["floor"]["compiler"] in (compiler, floor.compiler())
    assert in_effect["floor"]["options"] == ["-O2"]
    assert len(in_effect["floor"]["sha256"]) == 64
    assert in_effect["observer"].keys() == {"clock_ns", "poll_ns"}
    assert in_effect["observer"]["clock_ns"] >= 0


def test_counts_edges_that_were_lost_and_forgets_those_before_the_start(board: VirtualBoard) -> None:
    board.agent.greet()
    board.agent.configure("respond", board.settings(responder="floor"))
    board.wires.start_at(40)
    for _ in range(3):
        board.wires.edge()
    board.agent.start()
    board.pulse()
    board.wires.edge(skip=5)
    assert [board.wires.change()[1], board.wires.change()[1]] == [1, 0]
    board.agent.send(Stop())
    stopped = board.agent.expect(Stopped)
    assert (stopped.answered, stopped.lost) == (2, 5)
    assert columns(board)["seqno"] == [44, 50]


@pytest.mark.parametrize(("collection", "unrecorded"), [("quiet", 15), ("stream", 0)])
def test_a_full_ring_is_counted_and_a_drained_one_goes_round(
    board: VirtualBoard, collection: str, unrecorded: int
) -> None:
    board.respond(responder="floor", collection=collection, capacity=5)
    for number in range(20):
        board.pulse()
        while collection == "stream" and len(columns(board).get("seqno", [])) < number - 1:
            board.agent.expect(Stamps)
    board.agent.send(Stop())
    stopped = board.agent.expect(Stopped)
    assert (stopped.answered, stopped.unrecorded) == (20, unrecorded)
    assert columns(board)["seqno"] == list(range(1, 21 - unrecorded))


@pytest.mark.parametrize("victim", ["session", "responder"])
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_output_ends_low_whoever_is_killed(board: VirtualBoard, victim: str, number: signal.Signals) -> None:
    """In the middle of a pulse of a second."""
    board.respond(responder="floor", hold_ns=1_000_000_000)
    pid = floor_pid(board)
    board.wires.edge()
    assert board.wires.change()[1] == 1
    os.kill(board.agent.process.pid if victim == "session" else pid, number)
    assert board.wires.change()[1] == 0
    if victim == "responder" and number == signal.SIGKILL:
        assert board.agent.expect(Fault).code == "responder-died"
    assert gone(pid)


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_wires_that_end_are_a_lost_line(board: VirtualBoard, wait: str) -> None:
    board.respond(responder="floor", wait=wait)
    board.pulse()
    board.wires.close()
    assert board.agent.expect(Fault).code == "lost-line"
    assert board.agent.expect(Stopped).answered == 1


def test_keeps_no_descriptor_but_its_own(board: VirtualBoard) -> None:
    """Wires, memory of stamps, two pipes; the session's link and the keeper's pipe are not among them."""
    board.respond(responder="floor")
    held, session = (open_fds(pid) for pid in (floor_pid(board), board.agent.process.pid))
    standard = ("0", "1", "2")
    assert {fd: held[fd] for fd in standard} == {fd: session[fd] for fd in standard}
    kinds = sorted(name.split(":")[0] for fd, name in held.items() if fd not in standard)
    assert kinds == ["/memfd", "pipe", "pipe", "socket"]


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root")
def test_realtime_settings_outlive_the_change_of_program(board: VirtualBoard) -> None:
    cpu = max(os.sched_getaffinity(0))
    board.agent.greet()
    wanted = {"fifo_priority": 3, "cpus": [cpu], "lock_memory": True}
    done = board.agent.configure("respond", board.settings(responder="floor", realtime=wanted))
    pid = floor_pid(board)
    status = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    assert done.in_effect["realtime"] | wanted == done.in_effect["realtime"], done.warnings
    assert (os.sched_getscheduler(pid) & 0xFFFF, os.sched_getparam(pid).sched_priority) == (os.SCHED_FIFO, 3)
    assert os.sched_getaffinity(pid) == {cpu}
    assert int(status["VmLck"].split()[0]) > 0


@pytest.mark.parametrize("wait", ["block", "spin"])
def test_sets_lines_as_the_kernel_wants_it(kernel: FakeGpioKernel, tmp_path: Path, wait: str) -> None:
    task = make("respond", LINES | {"floor_program": built(tmp_path, "-include", str(SHIM)), "wait": wait}, ())
    task.start()
    for _ in range(10):
        kernel.edge("IN")
        assert [kernel.change("OUT"), kernel.change("OUT")] == [1, 0]
    task.end()
    assert task.counts() == (10, 0, 0)
    assert task._workers[0].clean
    task.close()
    kernel.collect()
    assert not kernel.line("OUT").consumer, "the lines were given back"


def test_a_refused_output_is_told(kernel: FakeGpioKernel) -> None:
    """A real ioctl on the fake's socket: the kernel says ENOTTY."""
    task = make("respond", LINES, ())
    task.start()
    kernel.edge("IN")
    end = time.monotonic() + WAIT_S
    while (outcome := task.check()) is None:
        assert time.monotonic() < end
        time.sleep(0.005)
    assert outcome[1] is not None
    assert "Inappropriate ioctl" in outcome[1].what
    task.close()


def refused(kernel: FakeGpioKernel, settings: dict[str, Any]) -> AgentError:
    """What is said where the floor cannot be had; nothing is held afterwards."""
    before = open_fds()
    with pytest.raises(AgentError) as caught:
        make("respond", settings, ())
    kernel.collect()
    assert open_fds() == before
    return caught.value


def test_without_a_compiler_it_says_what_to_do(kernel: FakeGpioKernel, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(floor, "_built", {})
    monkeypatch.setenv("PATH", "/nowhere")
    error = refused(kernel, LINES)
    assert (error.code, error.where) == ("no-route", "responder")
    assert "cc, gcc, clang, tcc" in error.what
    assert "apt-get install gcc" in error.remedy
    assert "floor_program" in error.remedy
    assert not kernel.line("OUT").consumer, "no line was taken"
    told = responders()["floor"]
    assert (told["available"], told["remedy"]) == (False, error.remedy)


def test_an_inspection_tells_whether_it_can_be_built(compiler: str) -> None:
    told = responders()
    assert told["floor"] == {"available": True, "why": "", "remedy": "", "compiler": floor.compiler()}
    assert told["agent"]["available"] is True


@pytest.mark.parametrize(
    ("script", "said"), [("echo no headers >&2; exit 1", "no headers"), ("sleep 60", "not done after 0 s")]
)
def test_a_compiler_that_fails_or_hangs(
    kernel: FakeGpioKernel, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, script: str, said: str
) -> None:
    fake = tmp_path / "cc"
    fake.write_text(f"#!/bin/sh\n{script}\n")
    fake.chmod(0o755)
    monkeypatch.setattr(floor, "_built", {})
    monkeypatch.setattr(floor, "BUILD_S", 0.3)
    monkeypatch.setattr(floor, "compiler", lambda: str(fake))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    error = refused(kernel, LINES)
    assert error.code == "no-route"
    assert said in error.what
    assert not list(tmp_path.glob("edgereply-floor-*"))


@pytest.mark.parametrize(
    ("options", "content", "said"),
    [
        (('-DINTERFACE="0"',), b"", "another version"),
        ((), b"text\n", "cannot be run: Exec format error"),
        ((), b"", "empty"),
        ((), None, "cannot be read"),
    ],
)
def test_programs_that_are_none(
    kernel: FakeGpioKernel, tmp_path: Path, options: tuple[str, ...], content: bytes | None, said: str
) -> None:
    path = tmp_path / "floor"
    if options:
        text = C_SOURCE.read_text().replace('#define INTERFACE "1"', "")
        (tmp_path / "old.c").write_text(text)
        subprocess.run(["cc", *options, "-o", str(path), str(tmp_path / "old.c")], check=True, timeout=60)
    elif content is not None:
        path.write_bytes(content)
    error = refused(kernel, LINES | {"floor_program": str(path)})
    assert error.code == "bad-setting"
    assert said in error.what
    assert "floor.c" in error.remedy


def test_routes_out_of_reach(board: VirtualBoard) -> None:
    with pytest.raises(AgentError, match="cannot answer by the route sysfs"):
        floor.check_reach(type("Sysfs", (ChardevRoute,), {"name": "sysfs"})())


def test_by_hand_it_says_who_starts_it(tmp_path: Path) -> None:
    done = subprocess.run([built(tmp_path)], capture_output=True, text=True, timeout=10, check=False)
    assert done.returncode == 2
    assert "the agent" in done.stderr
