"""Load made for real, in small amounts: limits, low priority, and that nothing is left of it whatever happens."""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from edgereply_agent import load, load_kinds
from edgereply_agent.errors import AgentError
from edgereply_agent.load import Load
from edgereply_agent.load_kinds import file_system, grant, nameless
from edgereply_agent.settings import LoadSpec, Reader, read_load
from edgereply_protocol import Stop, Stopped
from tests.fakes.agent_process import gone, open_fds
from tests.unit.agent.conftest import VirtualBoard

MIB = 1 << 20
ALL = LoadSpec(cpu=2, memory_bytes=8 * MIB, storage_bytes=2 * MIB, network=1)
ALL_JSON = {"cpu": 2, "memory_bytes": 8 * MIB, "storage_bytes": 2 * MIB, "network": 1, "duty_percent": 100}
KINDS = ["cpu 1", "cpu 2", "memory 4", "network 3", "storage 5"]
WAIT_S = 20.0


@pytest.fixture(autouse=True)
def nothing_left() -> Iterator[None]:
    """No process of a test outlives it, nor a file in the places the storage load takes."""
    places = [Path("/var/tmp"), Path.home()]
    before, others = [set(place.iterdir()) for place in places], set(children())
    yield
    assert not set(children()) - others
    assert not [path for place, old in zip(places, before, strict=True) for path in new_ones(place, old)]


def new_ones(place: Path, old: set[Path]) -> list[Path]:
    return [path for path in set(place.iterdir()) - old if "edgereply-load" in path.name]


def children() -> list[int]:
    with contextlib.suppress(OSError):
        return [int(pid) for pid in Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()]
    return []


def until(condition: Callable[[], object]) -> None:
    """Wait."""
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.005)


def status(pid: int, name: str) -> str:
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(line.split(":", 1)[1].strip() for line in lines if line.startswith(f"{name}:"))


def limit(pid: int, name: str) -> str:
    lines = Path(f"/proc/{pid}/limits").read_text().splitlines()
    return next(line[26:].split()[0] for line in lines if line.startswith(name))


@contextlib.contextmanager
def made(wanted: LoadSpec) -> Iterator[Load]:
    """Load that has started."""
    found = Load(wanted)
    try:
        found.start()
        yield found
    finally:
        pids = list(found.pids.values())
        found.close()
        assert all(not Path(f"/proc/{pid}").exists() for pid in pids), "ended and collected"


def test_every_kind_works_stands_back_and_is_limited() -> None:
    with made(ALL) as found:
        assert sorted(found.pids) == [f"load {name}" for name in KINDS]
        first = found.report()["done"]
        until(lambda: all(done > amount for done, amount in zip(amounts(found), amounts_of(first), strict=True)))
        for name, pid in found.pids.items():
            assert os.getpriority(os.PRIO_PROCESS, pid) == 19, name
            assert os.sched_getscheduler(pid) == os.SCHED_IDLE
            assert Path(f"/proc/{pid}/oom_score_adj").read_text() == "1000\n"
            assert limit(pid, "Max core file size") == "0"
            assert limit(pid, "Max file size") == str(2 * MIB if name.startswith("load storage") else 0)
            most = int(limit(pid, "Max address space"))
            assert int(status(pid, "VmSize").split()[0]) * 1024 <= most
            assert most < int(status(os.getpid(), "VmPeak").split()[0]) * 1024 + 80 * MIB
        assert found.report()["ended"] == []


def amounts(found: Load) -> list[int]:
    return amounts_of(found.report()["done"])


def amounts_of(done: dict[str, dict[str, int]]) -> list[int]:
    return [value for kind in sorted(done) for value in done[kind].values()]


def test_memory_is_really_touched() -> None:
    with made(LoadSpec(memory_bytes=32 * MIB)) as found:
        (pid,) = found.pids.values()
        until(lambda: int(status(pid, "RssAnon").split()[0]) * 1024 > 32 * MIB)


def test_the_file_has_no_name_and_a_ceiling() -> None:
    with made(LoadSpec(storage_bytes=2 * MIB)) as found:
        (pid,) = found.pids.values()
        (fd,) = (fd for fd, name in open_fds(pid).items() if name.endswith("(deleted)"))
        path = Path(f"/proc/{pid}/fd/{fd}")
        # Over and over the same two megabytes.
        until(lambda: found.report()["done"]["storage"]["bytes"] > 5 * MIB)
        assert path.stat().st_size == 2 * MIB
        assert path.stat().st_nlink == 0


def test_processes_keep_nothing_of_the_session() -> None:
    read_fd, write_fd = os.pipe()
    with made(ALL) as found:
        for name, pid in found.pids.items():
            held = {fd: where for fd, where in open_fds(pid).items() if int(fd) > 2}
            kinds = sorted(where.split(":")[0] for where in held.values())
            assert len(kinds) == (2 if "storage" in name or "network" in name else 1), held
            assert kinds[-1 if "network" not in name else 0] == "pipe"
            assert {open_fds(pid)[fd] for fd in ("0", "1", "2")} == {"/dev/null"}
    os.close(read_fd)
    os.close(write_fd)


def test_duty_bounds_the_time_at_work() -> None:
    """Work ends 4 ms into each 20 ms, so whatever else the computer does, it cannot be at work for longer."""
    with made(LoadSpec(cpu=1, duty_percent=20)) as found:
        (pid,) = found.pids.values()

        def spent_ns() -> int:
            return int(Path(f"/proc/{pid}/schedstat").read_text().split()[0])

        def rests() -> int:
            return int(status(pid, "voluntary_ctxt_switches"))

        before, before_ns, began_ns = rests(), spent_ns(), time.monotonic_ns()
        until(lambda: spent_ns() - before_ns > 40_000_000 and rests() - before > 4)
        assert spent_ns() - before_ns < 0.4 * (time.monotonic_ns() - began_ns)


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_load_ends_with_its_session(board: VirtualBoard, number: signal.Signals) -> None:
    board.respond(load=ALL_JSON)
    board.pulse()
    (worker, *pids) = sorted(every_child(board))
    assert len(pids) == len(KINDS) + 1  # and the keeper
    os.kill(board.agent.process.pid, number)
    assert all(gone(pid) for pid in (worker, *pids))


def every_child(board: VirtualBoard) -> list[int]:
    found = board.agent.children()
    return [*found["workers"], *found["keepers"]]


def asleep() -> int:
    time.sleep(3600)
    return 0


@pytest.mark.parametrize("means", ["pipe", "signal"])
def test_either_means_ends_the_load_of_a_killed_session(monkeypatch: pytest.MonkeyPatch, means: str) -> None:
    """By the pipe where the kernel sends no signal; by the signal where the process does not look at its pipe."""
    if means == "pipe":
        monkeypatch.setattr(load, "die_with_parent", lambda number: None)
    else:
        monkeypatch.setitem(load_kinds.WORK, "cpu", lambda granted: asleep)
    read_fd, write_fd = os.pipe()
    session = os.fork()
    if session == 0:
        try:
            found = Load(LoadSpec(cpu=1))
            found.start()
            os.write(write_fd, str(found.pids["load cpu 1"]).encode())
            time.sleep(60)
        finally:
            os._exit(1)
    os.close(write_fd)
    pid = int(os.read(read_fd, 32))
    os.close(read_fd)
    os.kill(session, signal.SIGKILL)
    os.waitpid(session, 0)
    assert gone(pid)


def test_one_that_does_not_look_at_its_pipe_is_ended_by_force(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load, "STOP_S", 0.1)
    monkeypatch.setitem(load_kinds.WORK, "cpu", lambda granted: asleep)
    found = Load(LoadSpec(cpu=1))
    (pid,) = found.pids.values()
    found.start()
    found.close()
    assert not Path(f"/proc/{pid}").exists()


def test_a_run_reports_what_was_made_and_holds_no_line(board: VirtualBoard) -> None:
    board.agent.greet()
    in_effect = board.agent.configure("respond", board.settings(load=ALL_JSON)).in_effect["load"]
    assert {key: in_effect[key] for key in ALL_JSON} == ALL_JSON
    assert in_effect["priority"] == "idle"
    assert "(" in in_effect["storage_on"]
    assert board.wires.wires
    board.agent.start()
    wires = {name for name in open_fds(board.agent.process.pid).values() if name.startswith("socket")}
    load_pids = [pid for pid in every_child(board) if os.sched_getscheduler(pid) == os.SCHED_IDLE]
    assert len(load_pids) == len(KINDS)
    pipes = {name for pid in load_pids for name in open_fds(pid).values() if name.startswith("pipe")}
    for pid in every_child(board):
        held = set(open_fds(pid).values())
        assert not held & (wires if pid in load_pids else pipes), "a pipe held by others would never fall silent"
    for _ in range(5):
        board.pulse()
    board.agent.send(Stop())
    during = board.agent.expect(Stopped).environment["during"]
    assert set(during["load"]["done"]) == {"cpu", "memory", "storage", "network"}
    assert during["load"]["ended"] == []
    assert {"responder", "session", *(f"load {name}" for name in KINDS)} == set(during["cpu_ns"])
    assert during["elapsed_ns"] > 0
    assert board.agent.children()["keepers"] == []


def test_off_unless_asked_for(board: VirtualBoard) -> None:
    board.agent.greet()
    assert board.agent.configure("respond", board.settings()).in_effect["load"] == {}
    assert len(every_child(board)) == 2
    assert grant(LoadSpec()).kinds == []


def test_a_process_that_is_gone_is_told() -> None:
    with made(LoadSpec(cpu=2)) as found:
        os.kill(found.pids["load cpu 1"], signal.SIGKILL)
        until(lambda: found.report()["ended"])
        assert found.report()["ended"] == ["cpu 1: killed by signal 9, perhaps for want of memory"]
        assert list(found.pids) == ["load cpu 2"]


def test_writing_ends_at_its_total(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load_kinds, "MOST_WRITTEN", 3 * MIB)
    with made(LoadSpec(storage_bytes=MIB)) as found:
        until(lambda: found.report()["ended"])
        assert found.report()["ended"] == ["storage 1: it has done all it may"]
        assert found.report()["done"]["storage"]["bytes"] == 3 * MIB


def test_one_that_cannot_start_is_an_error_and_leaves_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(granted: object) -> Callable[[], int]:
        raise MemoryError

    monkeypatch.setitem(load_kinds.WORK, "cpu", none)
    found = Load(LoadSpec(cpu=1, network=1))
    with pytest.raises(AgentError, match=r"cpu did not start \(the system gave it no memory"):
        found.start()
    found.close()


def test_amounts_are_what_the_board_can_bear(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(load_kinds, "memory", lambda: {"MemAvailable": 20 * 1024})
    granted = grant(LoadSpec(memory_bytes=64 * MIB))
    assert granted.memory_bytes == granted.in_effect["memory_bytes"] == 10 * MIB
    assert granted.warnings == ["the memory load got 10 MiB of 64 MiB: half of what is free"]
    monkeypatch.setattr(load_kinds, "memory", lambda: {"MemAvailable": 1000})
    with pytest.raises(AgentError, match="too little memory"):
        grant(LoadSpec(memory_bytes=64 * MIB))


def test_places_for_the_file(tmp_path: Path) -> None:
    with pytest.raises(AgentError, match="can write nowhere: tried /nowhere"):
        grant(LoadSpec(storage_bytes=MIB), ["/nowhere"])
    before = open_fds()
    on_disk = grant(LoadSpec(storage_bytes=MIB), ["/nowhere", "/dev/shm", str(tmp_path)])
    in_memory = grant(LoadSpec(storage_bytes=MIB), ["/dev/shm"])
    if file_system(on_disk.file_fd) not in ("tmpfs", "ramfs"):
        assert on_disk.in_effect["storage_on"].startswith(str(tmp_path))
        assert any("wears flash memory" in warning for warning in on_disk.warnings)
    assert any("is memory (tmpfs)" in warning for warning in in_memory.warnings)
    for granted in (on_disk, in_memory):
        granted.close()
    assert open_fds() == before


def test_a_file_system_without_nameless_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.open

    def refusing(path: str, flags: int, mode: int = 0o777) -> int:
        if flags & os.O_TMPFILE == os.O_TMPFILE:
            raise OSError(95, "not supported")
        return real(path, flags, mode)

    monkeypatch.setattr(os, "open", refusing)
    fd = nameless(str(tmp_path))
    assert os.fstat(fd).st_nlink == 0
    assert not list(tmp_path.iterdir())
    os.close(fd)


@pytest.mark.parametrize(
    ("name", "value"),
    [("cpu", 65), ("cpu", -1), ("cpu", True), ("memory_bytes", "64M"), ("storage_bytes", 1 << 31), ("network", 17),
     ("duty_percent", 0), ("duty_percent", 101)],
)  # fmt: skip
def test_amounts_out_of_range(name: str, value: object) -> None:
    with pytest.raises(AgentError) as caught:
        read_load(Reader({"load": {name: value}}, "settings"))
    assert caught.value.code == "bad-setting"
    assert caught.value.where == f"settings.load.{name}"
