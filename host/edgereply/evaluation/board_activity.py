"""How busy the board was during a run, apart from the work of the measurement: idle is measured, not assumed."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

BUSY_SHARE = 0.10
_IDLE = ("idle", "iowait")


@dataclass(frozen=True, slots=True)
class Activity:
    """What a board did from start to stop.

    Attributes:
        others_share: share of all processors' time that went to neither the agent nor load it made, 0 to 1; None
            where the board does not tell.
        run_queue: tasks running or ready to run beside the reading process, a processor, mean over all readings;
            responder and load are among them. None without readings.
        interrupts_per_s: from all sources, a second.
        load_made: the agent made load.
        trouble: what became of load that ended early.
    """

    others_share: float | None
    run_queue: float | None
    interrupts_per_s: float | None
    load_made: bool
    trouble: tuple[str, ...] = ()

    @property
    def busy(self) -> bool:
        """Others than the measurement kept the processors at work."""
        return self.others_share is not None and self.others_share >= BUSY_SHARE

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self) | {"busy": self.busy, "trouble": list(self.trouble)}

    def sentence(self) -> str:
        """In plain words."""
        parts = []
        if self.others_share is not None:
            parts.append(f"other programs used {self.others_share:.0%} of the CPU time")
        if self.run_queue is not None:
            parts.append(f"run queue {self.run_queue:.1f} per CPU")
        if self.interrupts_per_s is not None:
            parts.append(f"{self.interrupts_per_s:,.0f} interrupts a second")
        return f"The board during the run: {', '.join(parts)}." if parts else ""


def busy_caution(measured: Mapping[str, Any]) -> str:
    """What to say where a board that was asked for no load was not idle; "" otherwise.

    Args:
        measured: `Activity.as_dict`, as recorded; empty where nothing was.
    """
    if not measured.get("busy") or measured.get("load_made"):
        return ""
    return (
        f"No load was asked for, but the board was busy: other programs and the system used "
        f"{measured['others_share']:.0%} of its processors (idle: below {BUSY_SHARE:.0%}). These times are not those "
        "of an idle board."
    )


def activity(environment: Mapping[str, Any], readings: Sequence[Mapping[str, Any]], load_made: bool) -> Activity | None:
    """From what the agent counted between start and stop.

    Args:
        environment: the agent's last word on the board; its `during`.
        readings: of its counters, each second.
        load_made: the agent made load.

    Returns:
        None where the agent did not count.
    """
    during = environment.get("during")
    if not isinstance(during, Mapping):
        return None
    cpus = int(environment.get("cpu_count") or 1)
    elapsed_ns, interrupts = during.get("elapsed_ns"), during.get("interrupts")
    return Activity(
        _others(during, cpus),
        _run_queue([*readings, during.get("reading") or {}], cpus),
        interrupts * 1e9 / elapsed_ns if isinstance(interrupts, int) and elapsed_ns else None,
        load_made,
        tuple(f"Load ended before the run did: {line}." for line in (during.get("load") or {}).get("ended", [])),
    )


def _others(during: Mapping[str, Any], cpus: int) -> float | None:
    """Share of the processors' time that is not ours. Source: the first line of /proc/stat, see proc(5)."""
    ticks, elapsed_ns = during.get("cpu_ticks"), during.get("elapsed_ns")
    spent = during.get("cpu_ns")
    if not isinstance(ticks, Mapping) or not elapsed_ns or not spent or not (total := sum(ticks.values())):
        return None
    idle, ours = sum(ticks.get(name, 0) for name in _IDLE) / total, sum(spent.values()) / (elapsed_ns * cpus)
    return min(1.0, max(0.0, float(1.0 - idle - ours)))


def _run_queue(readings: Sequence[Mapping[str, Any]], cpus: int) -> float | None:
    """The process that reads is running itself and does not count."""
    found = [value - 1 for reading in readings if isinstance(value := reading.get("gauge runnable"), int)]
    return max(0.0, sum(found) / len(found) / cpus) if found else None
