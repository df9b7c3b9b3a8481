"""An agent that only watches while a program of the user's own answers: its lines, and the check of its taps."""

from __future__ import annotations

import numpy as np

from edgereply.board.client import BoardClient
from edgereply.board.translation import line_settings, responder_settings
from edgereply.config.load import Load
from edgereply.config.settings import Board
from edgereply.errors import BoardError
from edgereply.measurement.slow_pulses import PLAN, PULSES, QUIET_S, collect, finish, probe, stop
from edgereply.measurement.tap_findings import TapsSeen, tap_findings
from edgereply.measurement.wiring_findings import Finding
from edgereply.sources.base import PulseSource
from edgereply.storage.stamps import FALL, RISE, STIMULUS, ObservedEdges
from edgereply_protocol import Configured, Json

ONE_EACH = (
    "the kernel gives a line to one program only: leave the line to yours, join a spare input line to it by a jumper, "
    "and name the spare one as stimulus_tap or response_tap"
)


def configure_observer(
    client: BoardClient, board: Board, capacity: int, slow: bool = False, further: Json | None = None
) -> Configured:
    """Set up the agent to watch the board's taps.

    Falls need a tap of their own: for short pulses one line cannot tell both edges.

    Args:
        client: the agent.
        board: its settings; the taps are named there.
        capacity: rows the agent keeps until they are fetched.
        slow: pulses are so slow that one line tells both edges.
        further: settings beside these.

    Raises:
        BoardError: a tap is held by another program, or cannot be had for another reason.
        SettingError: there is no such line.
    """
    taps = {"input": board.stimulus_tap, "output": board.response_tap}
    if board.response_fall_tap.line != "":
        taps["output_fall"] = board.response_fall_tap
    lines = {name: line_settings(tap) for name, tap in taps.items()}
    settings = responder_settings(board, capacity) | {"lines": lines, "edges": "both" if slow else "rising"}
    settings |= further or {}
    try:
        return client.configure("observe", settings)
    except BoardError as error:
        if error.code != "busy-line":
            raise
        raise BoardError(error.message, where=error.where, remedy=ONE_EACH) from error


def check_taps(client: BoardClient, board: Board, source: PulseSource) -> list[Finding]:
    """Send slow pulses and look at the taps; nothing on the board is driven by the agent.

    Raises:
        HostError: board, link or source failed.
    """
    source.arm(PLAN)
    idle_board = board.model_copy(update={"collection": "stream", "load": Load()})
    configure_observer(client, idle_board, 1024, slow=True)
    client.start()
    idle = collect(client, QUIET_S)
    source.start()
    captured = finish(source)
    edges = ObservedEdges.concatenate([collect(client, 0.1), stop(client)])
    taps = {"stimulus": (board.stimulus_tap, "input"), "response": (board.response_tap, "input")}
    levels = probe(client, board.route, taps, {}, list(taps))
    seen = TapsSeen(
        pulses=PULSES,
        stimulus_width_ns=PLAN.width_ns,
        period_ns=PLAN.period_ns,
        stimulus_ns=edges.of(STIMULUS),
        rise_ns=edges.of(RISE),
        fall_ns=edges.of(FALL),
        idle_edges=len(idle.of(STIMULUS)),
        idle_levels=(levels["stimulus"], levels["response"]),
        captured=int(np.count_nonzero(captured == RISE)) if source.identity.captures else None,
    )
    return tap_findings(seen, str(board.stimulus_tap), str(board.response_tap), str(board.response_fall_tap))
