"""The private ring on a directory that stands for the kernel's, and what is said where there is none."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent.files import text
from edgereply_agent.tracing import instance
from edgereply_agent.tracing import task as task_module
from edgereply_agent.tracing.instance import EVENTS, NEEDED, CannotTrace, Instance, interrupt_cpus, remove_stale
from edgereply_agent.tracing.task import Tracing


class FakeTracing:
    """Makes in a new instance what a kernel would make."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.events = list(EVENTS)
        self.clocks = "local [mono] boot"
        (folder / "instances").mkdir(parents=True)

    def make(self, path: str) -> None:
        """In place of `os.mkdir`."""
        made = Path(path)
        made.mkdir()
        for cpu in range(4):
            (made / f"per_cpu/cpu{cpu}").mkdir(parents=True)
        for name in self.events:
            (made / f"events/{name}").mkdir(parents=True)
            (made / f"events/{name}/enable").write_text("0")
        (made / "events/header_page").write_text("page")

    def text(self, path: str) -> str | None:
        """In place of `files.text`: the clock chosen stands in brackets."""
        return self.clocks if path.endswith("trace_clock") else text(path)

    @property
    def made(self) -> list[str]:
        """Instances that are there."""
        return sorted(path.name for path in (self.folder / "instances").iterdir())


class OurOs:
    """The module `os` with the kernel's meaning of making and removing an instance."""

    def __init__(self, mkdir: Callable[[str], None]) -> None:
        self.mkdir, self.rmdir = mkdir, shutil.rmtree

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)


@pytest.fixture
def tracing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeTracing]:
    """A kernel that can."""
    fake = FakeTracing(tmp_path / "tracing")
    monkeypatch.setattr(instance, "TRACING", str(fake.folder))
    monkeypatch.setattr(instance, "text", fake.text)
    monkeypatch.setattr(instance, "os", OurOs(fake.make))
    yield fake
    assert fake.made == [], "something was left"


def value(ring: Instance, name: str) -> str:
    """What was written."""
    return (Path(ring.path) / name).read_text()


def test_only_the_wanted_cpus_and_the_fixed_events_are_recorded(tracing: FakeTracing) -> None:
    ring = Instance(frozenset({1, 3, 70}))
    assert (ring.cpus, value(ring, "tracing_cpumask"), value(ring, "tracing_on")) == ([1, 3], "0000000a", "0")
    assert value(ring, "trace_clock") == "mono"
    assert {value(ring, f"events/{name}/enable") for name in EVENTS} == {"1"}
    assert (Path(ring.path) / "per_cpu/cpu1/buffer_size_kb").exists()
    assert not (Path(ring.path) / "per_cpu/cpu0/buffer_size_kb").exists()
    ring.record(True)
    assert value(ring, "tracing_on") == "1"
    ring.remove()
    ring.remove()


def test_all_cpus_where_nobody_knows_better(tracing: FakeTracing) -> None:
    for wanted in (None, frozenset({99})):
        ring = Instance(wanted)
        assert ring.cpus == [0, 1, 2, 3]
        ring.remove()


def test_events_that_this_kernel_lacks_are_left_out(tracing: FakeTracing) -> None:
    tracing.events = [*NEEDED, "irq/softirq_entry"]
    ring = Instance()
    assert sorted(ring.events) == sorted(tracing.events)
    ring.remove()


@pytest.mark.parametrize("missing", NEEDED)
def test_without_the_events_that_matter_it_says_so_and_leaves_nothing(tracing: FakeTracing, missing: str) -> None:
    tracing.events = [name for name in EVENTS if name != missing]
    with pytest.raises(CannotTrace, match=f"no event {missing}.*CONFIG_FTRACE"):
        Instance()


def test_another_clock_is_refused(tracing: FakeTracing) -> None:
    tracing.clocks = "[local] global"
    with pytest.raises(CannotTrace, match="clock cannot be set to 'mono'"):
        Instance()


def test_rings_of_the_dead_are_removed_and_no_others(tracing: FakeTracing) -> None:
    for name in (f"edgereply-{2**22 + 5}", f"edgereply-{os.getppid()}", "somebody-else"):
        tracing.make(f"{tracing.folder}/instances/{name}")
    remove_stale(str(tracing.folder))
    assert tracing.made == [f"edgereply-{os.getppid()}", "somebody-else"]
    for name in tracing.made:
        shutil.rmtree(tracing.folder / "instances" / name)


def test_a_new_ring_removes_those_of_the_dead(tracing: FakeTracing) -> None:
    tracing.make(f"{tracing.folder}/instances/edgereply-{2**22 + 5}")
    ring = Instance()
    assert tracing.made == [f"edgereply-{os.getpid()}"]
    ring.remove()


KEPT = """
import os, sys
from pathlib import Path
from edgereply_agent.keeper import Keeper
keeper = Keeper([], [], (), last=Path(sys.argv[1]).touch)
keeper.release() if sys.argv[2] == "release" else os.kill(os.getpid(), 9)
"""


@pytest.mark.parametrize(("how", "done"), [("kill", True), ("release", False)])
def test_the_keeper_does_the_last_thing_where_the_session_was_killed(tmp_path: Path, how: str, done: bool) -> None:
    mark = tmp_path / "done"
    subprocess.run([sys.executable, "-c", KEPT, str(mark), how], timeout=30, check=False)
    end = time.monotonic() + (10.0 if done else 0.2)
    while not mark.exists() and time.monotonic() < end:
        time.sleep(0.01)
    assert mark.exists() is done


def test_a_user_without_rights_is_told_how_to_get_them(tracing: FakeTracing, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(path: str) -> None:
        raise PermissionError(13, "Permission denied", path)

    monkeypatch.setattr(instance, "os", OurOs(refuse))
    made = Tracing(None, None)
    assert made.in_effect["on"] is False
    assert "Permission denied" in made.in_effect["why"]
    assert "let the agent run as root" in made.warnings[0]
    assert made.look_on(None, 0) is None  # type: ignore[arg-type]
    made.start()
    made.end()
    made.close()


def test_a_kernel_without_tracing_files_is_told_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(instance, "TRACING", str(tmp_path / "none"))
    made = Tracing(None, None)
    assert "CONFIG_FTRACE" in made.warnings[0] or "as root" in made.warnings[0]


def test_the_line_s_own_cpu_is_recorded_beside_the_responder_s(
    tracing: FakeTracing, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(task_module, "line_interrupts", lambda: {"33 irq_sim edgereply": 5})
    monkeypatch.setattr(task_module, "Decoder", lambda formats: None)
    monkeypatch.setattr(task_module, "event_cost_ns", lambda ring: 230)
    cpus: dict[str, Any] = {}

    def of(numbers: list[str]) -> frozenset[int]:
        cpus["numbers"] = numbers
        return frozenset({0})

    monkeypatch.setattr(task_module, "interrupt_cpus", of)
    made = Tracing((3,), 2_000_000)
    assert cpus["numbers"] == ["33"]
    assert (made.in_effect["cpus"], made.in_effect["event_ns"]) == ([0, 3], 230)
    assert made.in_effect["deadline_ns"] == 2_000_000
    made.close()
    monkeypatch.setattr(task_module, "interrupt_cpus", lambda numbers: frozenset())
    made = Tracing((3,), None)
    assert made.in_effect["cpus"] == [0, 1, 2, 3], "an interrupt may come anywhere where the kernel does not say"
    made.close()


@pytest.mark.parametrize(("said", "cpus"), [("3", {3}), ("0-2,5", {0, 1, 2, 5}), ("", set()), ("x-y", set())])
def test_cpus_of_an_interrupt(tmp_path: Path, said: str, cpus: set[int]) -> None:
    (tmp_path / "proc/irq/33").mkdir(parents=True)
    (tmp_path / "proc/irq/33/effective_affinity_list").write_text(said)
    assert interrupt_cpus(["33", "34"], f"{tmp_path}/") == cpus
