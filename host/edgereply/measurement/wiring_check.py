"""Proves the wires with slow pulses before anything is measured: drives nothing until the stimulus wire is right."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from edgereply.board.client import BoardClient
from edgereply.board.translation import responder_settings
from edgereply.config.settings import Board, Source
from edgereply.errors import BoardError, SettingError
from edgereply.measurement.observing import check_taps
from edgereply.measurement.slow_pulses import PLAN, PULSES, QUIET_S, collect, finish, probe, stop
from edgereply.measurement.wiring_findings import Finding, Seen, response_findings, stimulus_findings
from edgereply.sources.base import PulseSource
from edgereply.storage.stamps import RISE, STIMULUS, ObservedEdges
from edgereply.wording.numbers import clean
from edgereply_protocol import ROUTES

Say = Callable[[str], None]
# Routes by which the kernel stamps the edges of both lines.
WATCHING: Final = tuple(name for name, row in ROUTES.items() if row.kernel_stamps)


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
    """Check stimulus wire, then response wire, then the whole loop; or the taps where the agent only watches.

    Raises:
        HostError: board, link or source failed.
    """
    if board.responder == "observe":
        say("wiring: slow pulses, answered by your program; the agent drives nothing")
        return WireCheck(check_taps(client, board, source))
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


def watching_route(client: BoardClient, board: Board) -> str:
    """The route to watch both lines by: the board's own if it can, else one that the board has beside it.

    Raises:
        SettingError: the board's own route cannot be used there.
        BoardError: the board has none.
    """
    if board.route in WATCHING:
        return board.route
    told = client.hello.capabilities.get("routes")
    routes = told if isinstance(told, dict) else {}
    own = routes.get(board.route)
    if isinstance(own, dict) and own.get("available") is False:
        raise SettingError(
            f"the route {board.route} cannot be used: {clean(str(own.get('why')))}", client.name,
            clean(str(own.get("remedy"))),
        )  # fmt: skip
    found = {name: routes.get(name) for name in WATCHING}
    can = [name for name, route in found.items() if isinstance(route, dict) and route.get("available") is True]
    if not can:
        raise BoardError(
            f"the wires cannot be proved: by {board.route} no edge is stamped, and the board has neither of the routes "
            f"that would watch both lines, {' and '.join(WATCHING)}",
            where=client.name,
            remedy="check the wires with a meter and leave the proof out: --no-wiring",
        )
    return can[0]


def _look(client: BoardClient, board: Board, source: PulseSource) -> Seen:
    route = watching_route(client, board)
    settings = responder_settings(board, 1024) | {
        "route": route, "wait": "block", "collection": "stream", "load": None
    }  # fmt: skip
    source.arm(PLAN)
    client.configure("observe", settings)
    client.start()
    idle = collect(client, QUIET_S)
    source.start()
    finish(source)
    edges = ObservedEdges.concatenate([collect(client, 0.1), stop(client)])
    lines = {"input": (board.input, "input"), "output": (board.output, "input")}
    levels = probe(client, board.route, lines, {}, ["input", "output"])
    return Seen(
        PULSES,
        input_edges=len(edges.of(STIMULUS)),
        output_edges=len(edges.of(RISE)),
        idle_edges=len(idle.of(STIMULUS)),
        input_idle=levels["input"],
        output_idle=levels["output"],
    )


def _drive(client: BoardClient, board: Board, source: PulseSource, seen: Seen) -> Seen:
    lines = {"input": (board.input, "input"), "output": (board.output, "output")}
    inputs, captured = [], []
    for level in (0, 1):
        inputs.append(probe(client, board.route, lines, {"output": level}, ["input"], keep=True)["input"])
        captured.append(source.level())
    probe(client, board.route, lines, {"output": 0}, [])
    low, high = captured
    follows = None if low is None or high is None else (low, high)
    return replace(seen, follows=follows, input_follows=(inputs[0], inputs[1]))


def _answer(client: BoardClient, board: Board, source: PulseSource) -> int:
    source.arm(PLAN)
    client.configure("respond", responder_settings(board, 1024) | {"collection": "stream", "load": None})
    client.start()
    source.start()
    kinds = finish(source)
    stop(client)
    return int(np.count_nonzero(kinds == RISE))
