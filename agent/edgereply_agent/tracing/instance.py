"""A ring of events of this board's own kernel, private to one task: made, switched on and off, removed.

It is an instance of tracefs: nobody else's recording is touched, and none of the kernel's own tracers takes part. Only
general events are asked for, as far as this kernel has them; their stamps are on the clock of the GPIO stamps. `remove`
may be called by any process of ours and again; rings of agents that are no more are removed by the next one.

Source: Documentation/trace/ftrace.rst (instances, trace_clock, tracing_cpumask, buffer_size_kb), events.rst.
"""

from __future__ import annotations

import contextlib
import os
import re
import time
from typing import Optional

from edgereply_agent.files import names, text
from edgereply_agent.realtime import c_library
from edgereply_protocol import OWN_INTERRUPTS, Json

TRACING = "/sys/kernel/tracing"
CLOCK = "mono"
PREFIX = "edgereply-"
EVENTS = (
    "irq/irq_handler_entry", "irq/irq_handler_exit", "irq/softirq_entry", "irq/softirq_exit", "sched/sched_switch",
    "sched/sched_wakeup", "power/cpu_idle", "power/cpu_frequency",
    *(f"irq_vectors/{name}_{end}" for name in OWN_INTERRUPTS for end in ("entry", "exit")),
)  # fmt: skip
# Without these there is nothing to say who had the CPU.
NEEDED = ("sched/sched_switch", "sched/sched_wakeup", "irq/irq_handler_entry", "irq/irq_handler_exit")
# Memory for the rings: of one CPU, of all together, and as a share of what is free.
CPU_KB, LEAST_KB, ALL_KB, OF_FREE = 2048, 64, 16384, 32
REMOVE_S = 1.0
ROOT_HINT = "let the agent run as root (host = 'root@…' in the bench file), or measure without trace"
KERNEL_HINT = "a kernel with CONFIG_FTRACE and its events is needed (Debian's have them), or measure without trace"


class CannotTrace(Exception):
    """There is no recording on this board; the text says what is missing and how to get it."""


class Instance:
    """One private ring, made but not yet recording.

    Args:
        cpus: those whose events are wanted; None for all.
        tracing: where the kernel's tracing files are, or shall be; "" for the usual place.

    Raises:
        CannotTrace: this kernel or this user cannot.
    """

    def __init__(self, cpus: Optional[frozenset[int]] = None, tracing: str = "") -> None:
        self._tracing, self._mounted = tracing or TRACING, False
        self.path = f"{self._tracing}/instances/{PREFIX}{os.getpid()}"
        self.events: list[str] = []
        try:
            self._make(cpus)
        except (OSError, CannotTrace) as error:
            self.remove()
            if isinstance(error, CannotTrace):
                raise
            raise CannotTrace(_why(error, self._tracing)) from error

    def _make(self, cpus: Optional[frozenset[int]]) -> None:
        if not os.path.isdir(f"{self._tracing}/instances"):
            self._mount()
        remove_stale(self._tracing)
        os.mkdir(self.path)
        self._write("tracing_on", "0")
        self._write("trace_clock", CLOCK)
        if f"[{CLOCK}]" not in (text(f"{self.path}/trace_clock") or ""):
            raise CannotTrace(f"the kernel's trace clock cannot be set to {CLOCK!r}: {KERNEL_HINT}")
        there = {name for name in EVENTS if os.path.exists(f"{self.path}/events/{name}/enable")}
        if missing := [name for name in NEEDED if name not in there]:
            raise CannotTrace(f"the kernel has no event {missing[0]}: {KERNEL_HINT}")
        known = sorted(int(name[3:]) for name in names(f"{self.path}/per_cpu") if re.fullmatch(r"cpu\d+", name))
        self.cpus = [cpu for cpu in known if cpus is None or cpu in cpus] or known
        self._write("tracing_cpumask", _mask(self.cpus))
        self.kb = _kilobytes(len(self.cpus))
        for cpu in self.cpus:
            self._write(f"per_cpu/cpu{cpu}/buffer_size_kb", str(self.kb))
        self.events = [name for name in EVENTS if name in there]
        self.switch_events(True)

    def _mount(self) -> None:
        libc = c_library() if os.path.isdir(self._tracing) else None
        if libc is None or libc.mount(b"edgereply", self._tracing.encode(), b"tracefs", 0, None) != 0:
            if os.geteuid() != 0:
                raise CannotTrace(f"{self._tracing} is not there for this user: {ROOT_HINT}")
            raise CannotTrace(f"there is no {self._tracing} and it cannot be mounted: {KERNEL_HINT}")
        self._mounted = True

    @property
    def in_effect(self) -> Json:
        """What the host is told of it."""
        return {"clock": CLOCK, "cpus": self.cpus, "ring_kb": self.kb, "events": self.events}

    def switch_events(self, on: bool) -> None:
        """Let the kernel make the events, or not: their cost is there either way while they are on."""
        for name in self.events:
            self._write(f"events/{name}/enable", "1" if on else "0")

    def record(self, on: bool) -> None:
        """Let events go into the ring, or not.

        Raises:
            OSError: the ring is gone.
        """
        self._write("tracing_on", "1" if on else "0")

    def clear(self) -> None:
        """Forget every event that is in the ring."""
        self._write("trace", "")

    def formats(self) -> dict[str, str]:
        """The kernel's own description of each event that is on, by name, and of a page as `header_page`."""
        found = {name: text(f"{self.path}/events/{name}/format") or "" for name in self.events}
        found["header_page"] = (
            text(f"{self.path}/events/header_page") or text(f"{self._tracing}/events/header_page") or ""
        )
        return found

    def entries(self) -> int:
        """How many events went into the ring so far, those that it no longer has included."""
        total = 0
        for cpu in self.cpus:
            stats = text(f"{self.path}/per_cpu/cpu{cpu}/stats") or ""
            total += sum(map(int, re.findall(r"^(?:entries|overrun|read events): (\d+)", stats, re.MULTILINE)))
        return total

    def raw(self, cpu: int) -> int:
        """A descriptor of a CPU's pages, which never waits."""
        return os.open(f"{self.path}/per_cpu/cpu{cpu}/trace_pipe_raw", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)

    def remove(self) -> None:
        """Switch it off and give everything back; the ring's memory goes with it. Never fails."""
        remove(self.path)
        if self._mounted and not names(f"{self._tracing}/instances"):
            self._mounted = False
            if (libc := c_library()) is not None:
                libc.umount(self._tracing.encode())

    def _write(self, name: str, value: str) -> None:
        with open(f"{self.path}/{name}", "w") as file:
            file.write(value)


def remove(path: str) -> None:
    """Switch one ring off and remove it; a descriptor that is still open is waited for, a moment."""
    end = time.monotonic() + REMOVE_S
    while os.path.isdir(path):
        for name in ("tracing_on", "events/enable"):
            with contextlib.suppress(OSError), open(f"{path}/{name}", "w") as file:
                file.write("0")
        try:
            os.rmdir(path)
        except OSError:
            if time.monotonic() > end:
                return
            time.sleep(0.01)


def remove_stale(tracing: str) -> None:
    """Remove the rings of agents that are no more; where one and its keeper are killed at once, nobody else does."""
    for name in names(f"{tracing}/instances"):
        pid = name[len(PREFIX) :]
        if name.startswith(PREFIX) and pid.isdigit() and not os.path.exists(f"/proc/{pid}"):
            remove(f"{tracing}/instances/{name}")


def interrupt_cpus(numbers: list[str], root: str = "/") -> frozenset[int]:
    """CPUs that some interrupts go to, by the kernel; empty where it does not say."""
    found: set[int] = set()
    for number in numbers:
        for part in (text(f"{root}proc/irq/{number}/effective_affinity_list") or "").split(","):
            low, _, high = part.partition("-")
            if low.isdigit():
                found.update(range(int(low), int(high if high.isdigit() else low) + 1))
    return frozenset(found)


def _mask(cpus: list[int]) -> str:
    """A CPU mask as the kernel writes it: groups of 32, the highest first."""
    mask = sum(1 << cpu for cpu in cpus)
    groups: list[str] = []
    while mask or not groups:
        groups.append(f"{mask & 0xFFFFFFFF:08x}")
        mask >>= 32
    return ",".join(reversed(groups))


def _kilobytes(cpus: int) -> int:
    free = re.search(r"^MemAvailable:\s+(\d+)", text("/proc/meminfo") or "", re.MULTILINE)
    all_kb = ALL_KB if free is None else min(ALL_KB, int(free.group(1)) // OF_FREE)
    return max(LEAST_KB, min(CPU_KB, all_kb // max(1, cpus)))


def _why(error: OSError, tracing: str) -> str:
    where = error.filename or tracing
    if isinstance(error, PermissionError) or os.geteuid() != 0:
        return f"{where}: {error.strerror or error}: {ROOT_HINT}"
    return f"{where}: {error.strerror or error}: {KERNEL_HINT}"
