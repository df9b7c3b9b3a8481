"""The settings of a task, checked once: JSON in, frozen records out.

`Configure(task, settings)`; integers, nanoseconds::

    respond    route, lines {input, output}, wait, hold_ns, collection, capacity, realtime, dead_man_s, load,
               responder (agent, floor), floor_program (a path on the board, "" to build it), hardware_clock (ask for
               stamps of the input's edges by a clock in hardware; true or left out),
               trace {deadline_ns} (what the kernel did beside late answers; left out: not recorded)
    observe    the same, line output_fall, and edges (both, rising); all are inputs with kernel stamps (EVENTS:
               1 input rise, 2 output rise, 3 output fall, 4 output fall that left no stamp)
    probe      lines {name: LINE + direction}; then Probe(levels, read) -> Probed
    stimulate  lines {stimulus, capture} (and capture_fall: falls by a line of their own),
               plan {pattern, period_ns, width_ns, count, floor_ns, spread_ns, seed} and, for the pattern pairs,
               {shortest_gap_ns, longest_gap_ns}
    LINE       {chip, line, active_low, bias}: chip "" searches all chips by line name

`Configured.in_effect` mirrors them as they took effect; what could not be had is a warning with its remedy. A host
refuses an agent that does not mirror what it asked for, so a setting added later is left out while it has the value
that agents without it assume.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Optional, Union

from edgereply_protocol import Json

from .errors import SettingError

BIASES = ("as-is", "pull-up", "pull-down", "disabled")
WAITS = ("block", "spin")
COLLECTIONS = ("stream", "quiet")
RESPONDERS = ("agent", "floor")
MAX_CAPACITY = 1 << 24


@dataclass(frozen=True)
class LineSpec:
    """One line as the user names it.

    `chip` may be empty (all chips are searched by line name), a name, a device path or a label; `line` a name or an
    offset.
    """

    role: str
    chip: str
    line: Union[str, int]
    active_low: bool
    bias: str
    direction: str = ""

    def __str__(self) -> str:
        return f"{self.role} ({self.chip or 'any chip'}, line {self.line!r})"


@dataclass(frozen=True)
class Realtime:
    """Real-time settings asked for; each one may be had or not."""

    fifo_priority: Optional[int] = None
    cpus: Optional[tuple[int, ...]] = None
    lock_memory: bool = False
    hold_cpu_latency: bool = False


@dataclass(frozen=True)
class Plan:
    """What the board emits as a pulse source; times in ns, which are its ticks."""

    pattern: str
    period_ns: int
    width_ns: int
    count: int
    floor_ns: int
    spread_ns: int
    seed: int
    shortest_gap_ns: int = 0
    longest_gap_ns: int = 0


@dataclass(frozen=True)
class LoadSpec:
    """Load to make while something is measured; false when none is.

    `cpu` and `network` are numbers of processes, `duty_percent` the share of its time each of all is at work.
    """

    cpu: int = 0
    memory_bytes: int = 0
    storage_bytes: int = 0
    network: int = 0
    duty_percent: int = 100

    def __bool__(self) -> bool:
        return bool(self.cpu or self.memory_bytes or self.storage_bytes or self.network)


@dataclass(frozen=True)
class TraceSpec:
    """That the kernel's events beside late answers are wanted; late is later than `deadline_ns`, where there is one."""

    deadline_ns: Optional[int] = None


@dataclass(frozen=True)
class Common:
    """What every task but `probe` has."""

    route: str
    lines: dict[str, LineSpec]
    collection: str
    capacity: int
    event_buffer: int
    realtime: Realtime
    dead_man_s: int
    load: LoadSpec = LoadSpec()
    hardware_clock: bool = False
    trace: Optional[TraceSpec] = None


class Reader:
    """Takes typed values out of a JSON object and names the one that is wrong."""

    def __init__(self, values: Any, where: str) -> None:
        if not isinstance(values, dict):
            raise SettingError(f"must be an object, not {type(values).__name__}", where)
        self.values: Json = values
        self.where = where

    def error(self, name: str, what: str) -> SettingError:
        """An error about one value."""
        return SettingError(what, f"{self.where}.{name}", "correct this setting and configure again")

    def integer(self, name: str, low: int, high: int, default: Optional[int] = None) -> int:
        """An integer in `low` … `high`."""
        value = self.values.get(name, default)
        if type(value) is not int:
            raise self.error(name, f"must be an integer, not {value!r}")
        if not low <= value <= high:
            raise self.error(name, f"must be {low} to {high}, not {value}")
        return value

    def flag(self, name: str, default: bool = False) -> bool:
        """True or false."""
        value = self.values.get(name, default)
        if not isinstance(value, bool):
            raise self.error(name, f"must be true or false, not {value!r}")
        return value

    def text(self, name: str, default: Optional[str] = None) -> str:
        """A string."""
        value = self.values.get(name, default)
        if not isinstance(value, str):
            raise self.error(name, f"must be a string, not {value!r}")
        return value

    def choice(self, name: str, choices: tuple[str, ...], default: Optional[str] = None) -> str:
        """One of a few words."""
        value = self.text(name, default)
        if value not in choices:
            raise self.error(name, f"must be one of {', '.join(choices)}, not {value!r}")
        return value

    def inner(self, name: str, optional: bool = False) -> Reader:
        """An object inside this one."""
        value = self.values.get(name)
        return Reader({} if value is None and optional else value, f"{self.where}.{name}")


def read_line(reader: Reader, role: str, need_direction: bool = False) -> LineSpec:
    """One entry of `lines`."""
    values = reader.inner(role)
    line = values.values.get("line", 0)
    if type(line) is not int and not (isinstance(line, str) and line):
        raise values.error("line", f"must be a line's name or its offset, not {line!r}")
    if isinstance(line, int) and not 0 <= line < 1 << 32:
        raise values.error("line", f"an offset must be 0 or more, not {line}")
    direction = values.choice("direction", ("input", "output")) if need_direction else ""
    return LineSpec(
        role,
        values.text("chip", ""),
        line,
        values.flag("active_low"),
        values.choice("bias", BIASES, "as-is"),
        direction,
    )


def read_realtime(reader: Reader) -> Realtime:
    """The entry `realtime`."""
    values = reader.inner("realtime", optional=True)
    fifo = values.values.get("fifo_priority")
    cpus = values.values.get("cpus")
    if cpus is not None:
        if not isinstance(cpus, list) or not cpus or any(type(cpu) is not int or cpu < 0 for cpu in cpus):
            raise values.error("cpus", f"must be null or a list of CPU numbers, not {cpus!r}")
        cpus = tuple(sorted(set(cpus)))
    return Realtime(
        None if fifo is None else values.integer("fifo_priority", 1, 99),
        cpus,
        values.flag("lock_memory"),
        values.flag("hold_cpu_latency"),
    )


def read_load(reader: Reader) -> LoadSpec:
    """The entry `load`."""
    values = reader.inner("load", optional=True)
    return LoadSpec(
        values.integer("cpu", 0, 64, 0),
        values.integer("memory_bytes", 0, 1 << 40, 0),
        values.integer("storage_bytes", 0, 1 << 30, 0),
        values.integer("network", 0, 16, 0),
        values.integer("duty_percent", 1, 100, 100),
    )


def read_trace(reader: Reader) -> Optional[TraceSpec]:
    """The entry `trace`; None where it is not asked for."""
    if reader.values.get("trace") is None:
        return None
    values = reader.inner("trace")
    known = values.values.get("deadline_ns") is not None
    return TraceSpec(values.integer("deadline_ns", 1, 1 << 62) if known else None)


def read_plan(values: Reader) -> Plan:
    """A stimulus plan; the limits are those of the pulse sources' command set."""
    pattern = values.choice("pattern", ("periodic", "uniform", "exponential", "pairs"), "exponential")
    period = values.integer("period_ns", 200_000, 60_000_000_000, 5_000_000)
    width = values.integer("width_ns", 30_000, 10_000_000, 50_000)
    # Only what the pattern uses has to fit the period.
    most_floor = period if pattern == "exponential" else 60_000_000_000
    most_spread = period - 100_000 if pattern == "uniform" else 60_000_000_000
    floor = values.integer("floor_ns", 100_000, most_floor, min(1_000_000, period))
    spread = values.integer("spread_ns", 0, most_spread, min(1_000_000, period - 100_000))
    shortest = {"periodic": period, "uniform": period - spread, "exponential": floor, "pairs": period}[pattern]
    if width > shortest - 50_000:
        raise values.error("width_ns", f"{width} ns leaves no 50 us of rest in the shortest interval of {shortest} ns")
    count = values.integer("count", 1, 2**32 - 1, 100)
    seed = values.integer("seed", 1, 2**32 - 1, 1)
    if pattern != "pairs":
        return Plan(pattern, period, width, count, floor, spread, seed)
    longest_gap = values.integer("longest_gap_ns", 1_000, period // 2)
    return Plan(
        pattern, period, width, count, floor, spread, seed,
        values.integer("shortest_gap_ns", 1_000, longest_gap), longest_gap,
    )  # fmt: skip


def read_common(reader: Reader, roles: tuple[str, ...], routes: tuple[str, ...], event_buffer: int = 1024) -> Common:
    """What every task but `probe` has in its settings."""
    lines = reader.inner("lines")
    unknown = sorted(set(lines.values) - set(roles))
    if unknown:
        raise SettingError(f"unknown lines {', '.join(unknown)}", lines.where, f"this task has {', '.join(roles)}")
    return Common(
        reader.choice("route", routes),
        {role: read_line(lines, role) for role in roles if role in lines.values or not role.endswith("_fall")},
        reader.choice("collection", COLLECTIONS, "stream"),
        reader.integer("capacity", 1, MAX_CAPACITY, 65536),
        reader.integer("event_buffer", 1, 1024, event_buffer),
        read_realtime(reader),
        reader.integer("dead_man_s", 1, 86400, 30),
        read_load(reader),
        reader.flag("hardware_clock"),
        read_trace(reader),
    )
