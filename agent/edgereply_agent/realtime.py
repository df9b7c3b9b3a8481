"""Real-time settings of this process: each optional, each read back, none fatal."""

from __future__ import annotations

import os
import struct
from typing import Any, Optional

from edgereply_protocol import Json

from .settings import Realtime

MCL_CURRENT, MCL_FUTURE = 1, 2
PR_SET_PDEATHSIG = 1
LATENCY_DEVICE = "/dev/cpu_dma_latency"
LIMITS_HINT = (
    "run the agent as root, or give its user the limits rtprio and memlock (/etc/security/limits.d/) and log in anew"
)


def apply_realtime(wanted: Realtime) -> tuple[Json, list[str]]:
    """Apply to the calling process what was asked for.

    Returns:
        What is in effect as read back from the kernel, and a sentence for each thing that could not be had.
    """
    warnings: list[str] = []
    if wanted.cpus is not None:
        _set_cpus(wanted.cpus, warnings)
    if wanted.fifo_priority is not None:
        _set_fifo(wanted.fifo_priority, warnings)
    if wanted.lock_memory:
        _lock_memory(warnings)
    return in_effect(wanted), warnings


def in_effect(wanted: Realtime) -> Json:
    """Read back what holds for the calling process.

    `cpus` is null when it was not asked for, so that the report mirrors the request.
    """
    fifo = None
    if os.sched_getscheduler(0) & ~os.SCHED_RESET_ON_FORK == os.SCHED_FIFO:
        fifo = os.sched_getparam(0).sched_priority
    cpus = sorted(os.sched_getaffinity(0)) if wanted.cpus is not None else None
    return {"fifo_priority": fifo, "cpus": cpus, "lock_memory": locked_kb() > 0}


def _set_cpus(cpus: tuple[int, ...], warnings: list[str]) -> None:
    try:
        os.sched_setaffinity(0, cpus)
    except (OSError, ValueError, OverflowError) as error:
        online = sorted(os.sched_getaffinity(0))
        warnings.append(f"CPU affinity {list(cpus)} could not be set ({_text(error)}): choose among the CPUs {online}")
        return
    got = sorted(os.sched_getaffinity(0))
    if got != list(cpus):
        warnings.append(f"CPU affinity {list(cpus)} came out as {got}: choose among the CPUs that are online")


def _set_fifo(priority: int, warnings: list[str]) -> None:
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(priority))
    except OSError as error:
        warnings.append(f"SCHED_FIFO priority {priority} could not be set ({_text(error)}): {LIMITS_HINT}")


def _lock_memory(warnings: list[str]) -> None:
    libc = c_library()
    if libc is None:
        warnings.append("memory could not be locked (Python's ctypes is missing): install the full python3 package")
        return
    import ctypes

    if libc.mlockall(MCL_CURRENT | MCL_FUTURE) != 0:
        reason = os.strerror(ctypes.get_errno())
        warnings.append(f"memory could not be locked ({reason}): {LIMITS_HINT}")


def locked_kb(status: str = "/proc/self/status") -> int:
    """Locked memory of this process in kB, 0 when unknown."""
    try:
        with open(status) as file:
            for line in file:
                if line.startswith("VmLck:"):
                    return int(line.split()[1])
    except (OSError, ValueError, IndexError):
        pass
    return 0


class CpuLatency:
    """The request that no CPU sleeps deeper than 0 us, held while the file is open."""

    def __init__(self, device: str = LATENCY_DEVICE) -> None:
        self.held = False
        self.warning = ""
        self._fd = -1
        try:
            self._fd = os.open(device, os.O_RDWR | os.O_CLOEXEC)
            os.write(self._fd, struct.pack("=i", 0))
            self.held = struct.unpack("=i", os.pread(self._fd, 4, 0)) == (0,)
            if not self.held:
                self.warning = f"{device} did not take 0: another kernel than expected; CPU idle states stay on"
        except (OSError, struct.error) as error:
            self.warning = (
                f"CPU idle states could not be forbidden through {device} ({_text(error)}): run the agent as root; "
                "on a kernel without it there may be no idle states to forbid"
            )

    def close(self) -> None:
        """Let the CPUs sleep again."""
        if self._fd >= 0:
            os.close(self._fd)
        self._fd, self.held = -1, False


def die_with_parent(signal_number: int) -> None:
    """Ask the kernel to send this process a signal when its parent ends; without ctypes, nothing happens."""
    libc = c_library()
    if libc is not None:
        libc.prctl(PR_SET_PDEATHSIG, signal_number, 0, 0, 0)


def c_library() -> Optional[Any]:
    """The C library by ctypes, or None where Python comes without."""
    try:
        import ctypes

        return ctypes.CDLL(None, use_errno=True)
    except (ImportError, OSError, AttributeError):
        return None


def _text(error: Exception) -> str:
    return getattr(error, "strerror", None) or str(error)
