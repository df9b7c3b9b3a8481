"""Real-time settings: what the kernel says afterwards is what is reported; what cannot be had is a warning."""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from edgereply_agent import realtime
from edgereply_agent.realtime import CpuLatency, apply_realtime
from edgereply_agent.settings import Realtime
from tests.fakes.agent_process import open_fds


def in_a_child(work: Callable[[], Any]) -> Any:
    """Result of `work` in a forked process, so that this one keeps its settings."""
    read_fd, write_fd = os.pipe()
    pid = os.fork()
    if pid == 0:
        try:
            os.write(write_fd, json.dumps(work()).encode())
        finally:
            os._exit(0)
    os.close(write_fd)
    os.waitpid(pid, 0)
    with os.fdopen(read_fd) as file:
        return json.loads(file.read())


def kernels_view() -> dict[str, Any]:
    """What /proc says of this process."""
    fields = Path("/proc/self/stat").read_text().rpartition(")")[2].split()
    status = dict(line.split(":\t", 1) for line in Path("/proc/self/status").read_text().splitlines() if ":\t" in line)
    return {
        "policy": int(fields[38]),
        "priority": int(fields[37]),
        "cpus": status["Cpus_allowed_list"].strip(),
        "locked_kb": int(status["VmLck"].split()[0]),
    }


def test_affinity_takes_effect() -> None:
    cpu = max(os.sched_getaffinity(0))
    (in_effect, warnings), view = in_a_child(lambda: (apply_realtime(Realtime(cpus=(cpu,))), kernels_view()))
    assert in_effect["cpus"] == [cpu]
    assert warnings == []
    assert view["cpus"] == str(cpu)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root")
def test_fifo_and_locked_memory_take_effect() -> None:
    (in_effect, warnings), view = in_a_child(
        lambda: (apply_realtime(Realtime(fifo_priority=7, lock_memory=True)), kernels_view())
    )
    assert (in_effect["fifo_priority"], in_effect["lock_memory"], warnings) == (7, True, [])
    assert (view["policy"], view["priority"]) == (os.SCHED_FIFO, 7)
    assert view["locked_kb"] > 0


def test_nothing_asked_for_changes_nothing() -> None:
    before, ((in_effect, warnings), view) = (
        kernels_view(),
        in_a_child(lambda: (apply_realtime(Realtime()), kernels_view())),
    )
    assert in_effect == {"fifo_priority": None, "cpus": None, "lock_memory": False}
    assert warnings == []
    assert view == before


def test_refusals_are_warnings_with_a_remedy(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    class Library:
        def mlockall(self, _flags: int) -> int:
            return -1

    monkeypatch.setattr(os, "sched_setscheduler", refuse)
    monkeypatch.setattr(realtime, "c_library", Library)
    in_effect, warnings = apply_realtime(Realtime(fifo_priority=50, cpus=(4095,), lock_memory=True))
    assert (in_effect["fifo_priority"], in_effect["lock_memory"]) == (None, False)
    assert in_effect["cpus"] == sorted(os.sched_getaffinity(0))
    assert len(warnings) == 3
    assert "4095" in warnings[0]
    assert "rtprio" in warnings[1]
    assert "memlock" in warnings[2]


def test_python_without_ctypes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(realtime, "c_library", lambda: None)
    _, (warning,) = apply_realtime(Realtime(lock_memory=True))
    assert "ctypes" in warning


def test_cpu_latency_writes_a_binary_zero_and_holds_the_file(tmp_path: Path) -> None:
    """Source: Documentation/power/pm_qos_interface.rst: four bytes are a binary s32, held while the file is open."""
    device = tmp_path / "cpu_dma_latency"
    device.write_bytes(b"\xff" * 4)
    latency = CpuLatency(str(device))
    assert device.read_bytes() == b"\0\0\0\0"
    assert (latency.held, latency.warning) == (True, "")
    assert str(device) in open_fds().values()
    latency.close()
    assert not latency.held


def test_cpu_latency_that_cannot_be_had(tmp_path: Path) -> None:
    latency = CpuLatency(str(tmp_path / "missing"))
    assert not latency.held
    assert "root" in latency.warning
    latency.close()
