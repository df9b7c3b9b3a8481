"""The rig's log of what really happened on the wires, in cycles of the simulated clock."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

CYCLE_NS = 62.5
WRAP = 1 << 32


@dataclass(frozen=True, slots=True)
class Edge:
    """One change of one wire."""

    cycle: int
    # "stimulus", "response", "port" (PB0 driven by a probe), "reset" (by the watchdog) or "second" (the stimulus of a
    # second source, in cycles of its own)
    signal: str
    level: int


@dataclass(frozen=True, slots=True)
class Truth:
    """All edges up to one moment, by cycle."""

    edges: tuple[Edge, ...]
    cycles_per_tick: int  # of the source's ticks
    now: int  # the source's cycle at that moment
    overruns: int  # received bytes lost because the chip's buffer was full
    # Of the ATmega328P only:
    tick_zero: int | None = None  # a cycle at which the low 16 bits of the source's ticks were zero
    lowest_stack: int = 0  # lowest address the source's stack pointer has had

    def cycles(self, signal: str, level: int) -> list[int]:
        """Returns: the cycles at which a wire went to a level."""
        return [edge.cycle for edge in self.edges if edge.signal == signal and edge.level == level]


def read_truth(path: Path, cycles_per_tick: int, *state: int) -> Truth:
    """Reads the harness' log.

    Args:
        path: lines of cycle, signal, level, by tabs; edges may be out of order by a few cycles.
        cycles_per_tick, state: as in `Truth`, `state` from `now` on.

    Returns: the edges, sorted.
    """
    rows = (line.split("\t") for line in path.read_text().splitlines())
    edges = sorted((Edge(int(cycle), signal, int(level)) for cycle, signal, level in rows), key=lambda e: e.cycle)
    return Truth(tuple(edges), cycles_per_tick, *state)
