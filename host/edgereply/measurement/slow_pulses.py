"""Slow pulses of the source, and what an agent sees of them: what every check of the wires is made of."""

from __future__ import annotations

import numpy as np

from edgereply.analysis.arrays.aliases import Uint8s
from edgereply.board.client import BoardClient, fault_error
from edgereply.board.translation import line_settings, observed_edges
from edgereply.config.settings import Line
from edgereply.errors import LinkError, SourceError
from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.storage.stamps import ObservedEdges
from edgereply.system.deadline import Deadline
from edgereply_protocol import Fault, Json, Layout, Stamps, Stopped

PULSES = 10
PLAN = StimulusPlan(pattern="periodic", period_ns=40_000_000, floor_ns=40_000_000, width_ns=5_000_000, count=PULSES)
QUIET_S = 0.3
STOP_S = 15.0

Kinds = Uint8s


def collect(client: BoardClient, seconds: float) -> ObservedEdges:
    """Edges the observing agent reports within so many seconds.

    Raises:
        HostError: the agent reports a fault, or the link fails.
    """
    deadline = Deadline(seconds)
    found: list[ObservedEdges] = []
    while not deadline.expired():
        for message in client.poll(min(0.05, deadline.remaining_s())):
            found += _edges(message, client.name)
    return ObservedEdges.concatenate(found)


def stop(client: BoardClient) -> ObservedEdges:
    """Stop the agent's task; edges it had not reported yet.

    Raises:
        HostError: it does not stop, reports a fault, or the link fails.
    """
    client.stop()
    deadline = Deadline(STOP_S)
    found: list[ObservedEdges] = []
    while not deadline.expired():
        for message in client.poll(0.05):
            found += _edges(message, client.name)
            if isinstance(message, Stopped):
                return ObservedEdges.concatenate(found)
    raise LinkError("the agent did not stop in time", where=client.name, remedy="check the board")


def finish(source: PulseSource) -> Kinds:
    """Read the source's slow pulses to their end; kinds of all its edges.

    Raises:
        SourceError: it does not finish.
    """
    deadline = Deadline(PULSES * PLAN.period_ns * 1e-9 + 10.0)
    kinds = [np.empty(0, np.uint8)]
    while not deadline.expired():
        batch = source.read(0.1)
        if batch is not None:
            kinds.append(batch.kind)
            if batch.done:
                return np.concatenate(kinds)
    raise SourceError("the source did not finish its slow pulses", remedy="check the source and its cable")


def probe(
    client: BoardClient,
    route: str,
    lines: dict[str, tuple[Line, str]],
    levels: dict[str, int],
    read: list[str],
    keep: bool = False,
) -> dict[str, int]:
    """Set and read lines directly.

    Args:
        client: no task runs there.
        route: by which the lines are reached.
        lines: by name, each with its direction, `input` or `output`.
        levels: to set, by name.
        read: names of lines to read.
        keep: leave the lines requested, so that outputs hold their level.
    """
    named = {name: line_settings(line) | {"direction": way} for name, (line, way) in lines.items()}
    settings: Json = {"route": route, "lines": named, "dead_man_s": 30}
    client.configure("probe", settings)
    found = client.probe(levels, read)
    if not keep:
        stop(client)
    return found


def _edges(message: object, where: str) -> list[ObservedEdges]:
    if isinstance(message, Fault):
        raise fault_error(message, where)
    if isinstance(message, Stamps) and message.block.layout is Layout.EVENTS:
        return [observed_edges(message)]
    return []
