"""Settings that this agent knows, of any task: what a newer host asks for beyond them is refused, not left out."""

from __future__ import annotations

from typing import Any

from edgereply_protocol import Json

from . import __version__
from .errors import SettingError

UPDATE_HINT = "let edgereply put its own agent there: name a plain Python as `python` of the board, or none"
_LINE = frozenset({"chip", "line", "active_low", "bias", "direction"})
# One table for all tasks: hosts send a task what only another one uses.
SETTINGS = frozenset({
    "route", "lines", "wait", "hold_ns", "collection", "capacity", "event_buffer", "realtime", "dead_man_s", "load",
    "responder", "floor_program", "edges", "plan", "stimulate", "hardware_clock", "trace",
})  # fmt: skip
INNER = {
    "realtime": frozenset({"fifo_priority", "cpus", "lock_memory", "hold_cpu_latency"}),
    "load": frozenset({"cpu", "memory_bytes", "storage_bytes", "network", "duty_percent"}),
    "trace": frozenset({"deadline_ns"}),
    "plan": frozenset(
        {
            "pattern",
            "period_ns",
            "width_ns",
            "count",
            "floor_ns",
            "spread_ns",
            "seed",
            "shortest_gap_ns",
            "longest_gap_ns",
        }
    ),
}


def refuse_unknown(settings: Json) -> None:
    """Refuse what this agent does not know; wrong types are left to those who read the values.

    Raises:
        SettingError: names the first such setting.
    """
    _check(settings, SETTINGS, "settings")
    for name, known in INNER.items():
        _check(settings.get(name), known, f"settings.{name}")
    lines = settings.get("lines")
    for role, line in lines.items() if isinstance(lines, dict) else ():
        _check(line, _LINE, f"settings.lines.{role}")


def _check(values: Any, known: frozenset[str], where: str) -> None:
    unknown = sorted(set(values) - known) if isinstance(values, dict) else []
    if unknown:
        raise SettingError(
            f"the agent {__version__} on this board does not know the setting {unknown[0]!r}: the host is newer",
            f"{where}.{unknown[0]}",
            UPDATE_HINT,
        )
