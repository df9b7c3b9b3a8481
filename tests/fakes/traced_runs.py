"""Runs whose board said what its kernel did beside late answers: an interrupt held up each of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.storage.run_record import RunRecord
from edgereply.storage.trace_events import TraceEvents
from edgereply_protocol import TraceKind
from tests.fakes.saved_runs import DEADLINE_NS, save_run

PID, IRQ = 812, 24
NAME = "label-motor"
EVENT_NS = 300
MADE = {"on": True, "clock": "mono", "cpus": [0], "event_ns": EVENT_NS, "pids": {"session": 5}}


def scene(edge_ns: int, set_ns: int) -> list[tuple[int, int, int, int, str, int]]:
    """Kind, time, number, priority, name, before of the events beside one answer."""
    events = [
        (TraceKind.SWITCH, edge_ns - 50_000, 0, 120, "swapper/0", PID),
        (TraceKind.IRQ_ENTRY, edge_ns - 500, 33, 0, "edgereply", 0),
        (TraceKind.IRQ_EXIT, edge_ns + 500, 33, 0, "", 0),
        (TraceKind.WAKEUP, edge_ns + 600, PID, 120, "answer", 0),
    ]
    if set_ns - edge_ns > DEADLINE_NS:
        events += [
            (TraceKind.IRQ_ENTRY, edge_ns + 1_000, IRQ, 0, NAME, 0),
            (TraceKind.IRQ_EXIT, set_ns - 25_000, IRQ, 0, "", 0),
        ]
    return [*events, (TraceKind.SWITCH, set_ns - 20_000, PID, 120, "answer", 0)]


def events_beside(edge_ns: Int64s, set_ns: Int64s, whole: bool = True) -> TraceEvents:
    """Every late answer, and every fifth other one."""
    rows: list[tuple[Any, ...]] = []
    for number, (edge, done) in enumerate(zip(edge_ns.tolist(), set_ns.tolist(), strict=True)):
        late = done - edge > DEADLINE_NS
        if late or number % 5 == 0:
            rows += [
                (edge, done, late, whole, PID, at, kind, 0, what, priority, name, before, 120, 1, "")
                for kind, at, what, priority, name, before in scene(edge, done)
            ]
    columns = list(zip(*rows, strict=True)) if rows else [()] * 15
    kinds = ["q", "q", "u1", "u1", "u4", "q", "u1", "u4", "u4", "u4", "O", "u4", "u4", "u4", "O"]
    return TraceEvents(*(np.array(column, kind) for column, kind in zip(columns, kinds, strict=True)))


def save_traced(directory: Path, count: int = 200, **changes: Any) -> RunRecord:
    """Write such a run; see `save_run`."""
    return save_run(directory, count, **{"trace": events_beside, "in_effect": {"trace": MADE}, **changes})
