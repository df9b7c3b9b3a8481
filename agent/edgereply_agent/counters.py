"""Counters of the kernel that say what else happened during a run."""

from __future__ import annotations

import time

from edgereply_protocol import Json

from .files import text

CPU_FIELDS = ("user", "nice", "system", "idle", "iowait", "irq", "softirq", "steal")


def counters(root: str = "/", consumer: str = "edgereply") -> Json:
    """Interrupts, context switches and CPU time of the whole system since it started.

    Returns:
        `interrupts`, `system_switches` (context switches), `cpu_ticks` (in USER_HZ), `line_interrupts` (by number and
        name, the lines that `consumer` holds), `elapsed_ns` (the monotonic clock).
    """
    found: Json = {"elapsed_ns": time.monotonic_ns(), "line_interrupts": line_interrupts(root, consumer)}
    for line in (text(f"{root}proc/stat") or "").splitlines():
        name, *values = line.split()
        if name == "cpu":
            found["cpu_ticks"] = {key: int(value) for key, value in zip(CPU_FIELDS, values)}
        elif name == "intr" and values:
            found["interrupts"] = int(values[0])
        elif name == "ctxt" and values:
            found["system_switches"] = int(values[0])
    return found


def line_interrupts(root: str = "/", consumer: str = "edgereply") -> Json:
    """Interrupts so far, over all CPUs, of the lines that `consumer` holds."""
    lines = (text(f"{root}proc/interrupts") or "").splitlines()
    found: Json = {}
    for line in lines[1:]:
        number, _, rest = line.partition(":")
        words = rest.split()
        counts = []
        for word in words[: lines[0].count("CPU")]:
            if not word.isdigit():
                break
            counts.append(int(word))
        if consumer in words[len(counts) :]:
            found[f"{number.strip()} {' '.join(words[len(counts) :])}"] = sum(counts)
    return found


def difference(before: Json, after: Json) -> Json:
    """What was counted between two readings; counters that were not in both are left out."""
    found: Json = {}
    for name, value in after.items():
        old = before.get(name)
        if isinstance(value, dict) and isinstance(old, dict):
            found[name] = difference(old, value)
        elif isinstance(value, int) and isinstance(old, int):
            found[name] = value - old
    return found


def context_switches(pid: int, root: str = "/") -> Json:
    """Voluntary and involuntary context switches of a process so far; empty when unknown."""
    found: Json = {}
    for line in (text(f"{root}proc/{pid}/status") or "").splitlines():
        name, _, value = line.partition(":")
        if name in ("voluntary_ctxt_switches", "nonvoluntary_ctxt_switches") and value.strip().isdigit():
            found["involuntary" if name.startswith("non") else "voluntary"] = int(value)
    return found


def cpu_ns(pid: int, root: str = "/") -> int:
    """CPU time a process has used so far, in ns; 0 when unknown. Source: the first number of /proc/PID/schedstat."""
    words = (text(f"{root}proc/{pid}/schedstat") or "").split()
    return int(words[0]) if words and words[0].isdigit() else 0
