"""What a task's processes and the board's counters did between its start and now."""

from __future__ import annotations

from typing import Mapping

from edgereply_agent.context import reading
from edgereply_agent.counters import context_switches, counters, cpu_ns, difference
from edgereply_protocol import Json


class Accounts:
    """Readings at the start of a task, to be held against later ones.

    Args:
        workers: processes that answer or emit, pid by name: their context switches are counted.
        pids: all processes of the measurement, load included: their processor time is.
    """

    def __init__(self, workers: Mapping[str, int], pids: Mapping[str, int]) -> None:
        self._workers, self._pids = dict(workers), dict(pids)
        self._counters = counters()
        self._switches = {name: context_switches(pid) for name, pid in workers.items()}
        self._cpu_ns = {name: cpu_ns(pid) for name, pid in pids.items()}

    def so_far(self) -> Json:
        """Context switches and processor time since the start, and a reading of the board's counters."""
        switches: Json = {}
        for name, pid in self._workers.items():
            before, now = self._switches[name], context_switches(pid)
            if before and now:
                switches[name] = {key: now[key] - before[key] for key in now}
        found: Json = {"context_switches": switches} if switches else {}
        found["cpu_ns"] = {name: used - self._cpu_ns[name] for name, pid in self._pids.items() if (used := cpu_ns(pid))}
        found["reading"] = reading(self._pids)
        return found

    def during(self) -> Json:
        """How the board's counters have grown since the start."""
        return difference(self._counters, counters())
