"""Proves the wires with slow pulses before anything is measured: drives nothing until the stimulus wire is right."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgereply.board.client import BoardClient, fault_error
from edgereply.deadline import Deadline
from edgereply.errors import LinkError, SettingError, SourceError
from edgereply.run import line_settings, responder_settings
from edgereply.settings import Board, Source
from edgereply.sources.base import RISE, PulseSource, StimulusPlan
from edgereply.wiring_findings import Finding, Seen, response_findings, stimulus_findings
from edgereply_protocol import Fault, Json, Layout, Stamps, Stopped

PULSES = 10
PLAN = StimulusPlan(pattern="periodic", period_ns=40_000_000, floor_ns=40_000_000, width_ns=5_000_000, count=PULSES)
QUIET_S = 0.3
STOP_S = 15.0
INPUT_RISE, OUTPUT_RISE = 1, 2

Say = Callable[[str], None]
Kinds = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class WireCheck:
    """What was found; `right` when every finding is."""

    findings: list[Finding]

    @property
    def right(self) -> bool:
        """True when nothing is wrong."""
        return all(finding.right for finding in self.findings)


def check_level(board: Board, source: Source) -> None:
    """Refuse a source whose level the board's input does not take.

    Raises:
        SettingError: the source's declared level is above the input's limit and no divider was declared.
    """
    if source.level_v > board.input_limit_v and not source.divider:
        raise SettingError(
            f"the source drives {source.level_v:g} V and the board's input takes {board.input_limit_v:g} V",
            where="source.level_v, board.input_limit_v",
            remedy="put a divider or level shifter into the stimulus wire and say so with source.divider = true",
        )


def check_wires(client: BoardClient, board: Board, source: PulseSource, say: Say) -> WireCheck:
    """Check stimulus wire, then response wire, then the whole loop.

    Raises:
        HostError: board, link or source failed.
    """
    names = str(board.input), str(board.output)
    say("wiring: slow pulses, the board drives nothing")
    seen = _look(client, board, source)
    findings = stimulus_findings(seen, *names)
    if not all(finding.right for finding in findings):
        return WireCheck(findings)
    say("wiring: the board drives its output")
    seen = _drive(client, board, source, seen)
    findings += response_findings(seen, *names)
    if not all(finding.right for finding in findings) or not source.identity.captures:
        return WireCheck(findings)
    say("wiring: the board answers slow pulses")
    answered = _answer(client, board, source)
    loop = response_findings(Seen(PULSES, answered=answered), *names)
    return WireCheck(findings + loop)


def _look(client: BoardClient, board: Board, source: PulseSource) -> Seen:
    settings = responder_settings(board, 1024) | {"wait": "block", "collection": "stream", "load": None}
    source.arm(PLAN)
    client.configure("observe", settings)
    client.start()
    idle = _collect(client, QUIET_S)
    source.start()
    _finish(source)
    kinds = np.concatenate([*_collect(client, 0.1), *_stop(client)])
    levels = _probe(client, board, {"input": "input", "output": "input"}, {}, ["input", "output"])
    return Seen(
        PULSES,
        input_edges=int(np.count_nonzero(kinds == INPUT_RISE)),
        output_edges=int(np.count_nonzero(kinds == OUTPUT_RISE)),
        idle_edges=int(np.count_nonzero(np.concatenate(idle) == INPUT_RISE)),
        input_idle=levels["input"],
        output_idle=levels["output"],
    )


def _drive(client: BoardClient, board: Board, source: PulseSource, seen: Seen) -> Seen:
    directions = {"input": "input", "output": "output"}
    inputs, captured = [], []
    for level in (0, 1):
        inputs.append(_probe(client, board, directions, {"output": level}, ["input"], keep=True)["input"])
        captured.append(source.level())
    _probe(client, board, directions, {"output": 0}, [])
    low, high = captured
    follows = None if low is None or high is None else (low, high)
    return replace(seen, follows=follows, input_follows=(inputs[0], inputs[1]))


def _answer(client: BoardClient, board: Board, source: PulseSource) -> int:
    source.arm(PLAN)
    client.configure("respond", responder_settings(board, 1024) | {"collection": "stream", "load": None})
    client.start()
    source.start()
    kinds = _finish(source)
    _stop(client)
    return int(np.count_nonzero(kinds == RISE))


def _probe(
    client: BoardClient,
    board: Board,
    directions: dict[str, str],
    levels: dict[str, int],
    read: list[str],
    keep: bool = False,
) -> dict[str, int]:
    lines = {name: line_settings(getattr(board, name)) | {"direction": way} for name, way in directions.items()}
    settings: Json = {"route": board.route, "lines": lines, "dead_man_s": 30}
    client.configure("probe", settings)
    found = client.probe(levels, read)
    if not keep:
        client.stop()
        _wait_stopped(client)
    return found


def _collect(client: BoardClient, seconds: float) -> list[Kinds]:
    deadline = Deadline(seconds)
    kinds: list[Kinds] = [np.empty(0, np.uint8)]
    while not deadline.expired():
        for message in client.poll(min(0.05, deadline.remaining_s())):
            kinds += _kinds(message, client.name)
    return kinds


def _kinds(message: object, where: str) -> list[Kinds]:
    if isinstance(message, Fault):
        raise fault_error(message, where)
    if isinstance(message, Stamps) and message.block.layout is Layout.EVENTS:
        return [np.array(message.block.columns["kind"], np.uint8)]
    return []


def _stop(client: BoardClient) -> list[Kinds]:
    client.stop()
    return _wait_stopped(client)


def _wait_stopped(client: BoardClient) -> list[Kinds]:
    deadline = Deadline(STOP_S)
    kinds: list[Kinds] = [np.empty(0, np.uint8)]
    while not deadline.expired():
        for message in client.poll(0.05):
            kinds += _kinds(message, client.name)
            if isinstance(message, Stopped):
                return kinds
    raise LinkError("the agent did not stop in time", where=client.name, remedy="check the board")


def _finish(source: PulseSource) -> Kinds:
    deadline = Deadline(PULSES * PLAN.period_ns * 1e-9 + 10.0)
    kinds = [np.empty(0, np.uint8)]
    while not deadline.expired():
        batch = source.read(0.1)
        if batch is not None:
            kinds.append(batch.kind)
            if batch.done:
                return np.concatenate(kinds)
    raise SourceError("the source did not finish its slow pulses", remedy="check the source and its cable")
