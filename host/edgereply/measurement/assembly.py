"""Builds the concrete things a measurement needs: boards and sources from settings. Nothing else does."""

import contextlib
import sys
from collections.abc import Iterator
from typing import Any

from edgereply.board.bundle import build_bundle
from edgereply.board.byte_link import ByteLink
from edgereply.board.client import BoardClient
from edgereply.board.ssh import start_locally, start_over_ssh
from edgereply.config.choices import SOURCES, software_wires
from edgereply.config.settings import Bench, Board, Source, Stimulus
from edgereply.config.trust import require_trust
from edgereply.errors import SettingError
from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.board import BoardSource
from edgereply.sources.declared import DeclaredSource
from edgereply.sources.registry import create_source


def stimulus_plan(stimulus: Stimulus) -> StimulusPlan:
    """The plan that the stimulus settings ask for."""
    return StimulusPlan(
        pattern=stimulus.pattern,
        period_ns=stimulus.rate,
        width_ns=stimulus.width,
        count=stimulus.stimuli,
        floor_ns=stimulus.floor,
        spread_ns=stimulus.spread,
        seed=stimulus.seed,
        shortest_gap_ns=stimulus.shortest_gap or 0,
        longest_gap_ns=stimulus.longest_gap or 0,
    )


@contextlib.contextmanager
def open_source(bench: Bench, board: str) -> Iterator[PulseSource]:
    """The pulse source, open and identified; its output is idle and it is closed on leaving.

    Args:
        bench: the settings.
        board: name of the board under test, which is its own source when the source is `self`.

    Raises:
        SourceError: it cannot be opened, or something else answers.
        LinkError, BoardError: a board that should emit cannot be reached or used.
    """
    settings = bench.source_of(board)
    with contextlib.ExitStack() as stack:
        if SOURCES[settings.kind].by_agent:
            name, emitter = bench.pick(settings.board or board)
            client = stack.enter_context(open_board(name, emitter))
            source: PulseSource = BoardSource(client, settings.kind, emitter_settings(name, emitter))
        else:
            source = create_source(settings.kind, settings.options, offered(settings, bench.board[board]))
            stack.callback(source.close)
        yield declared(source, settings)


def declared(source: PulseSource, settings: Source) -> PulseSource:
    """The source with what the bench file says about its clock and its serial number.

    Raises:
        SourceError: another source than the bench file means is on this port.
    """
    if settings.tolerance_ppm is None and not settings.serial_number:
        return source
    return DeclaredSource(source, settings.tolerance_ppm, settings.serial_number, settings.port)


def emitter_settings(name: str, board: Board) -> dict[str, Any]:
    """`Configure` settings for a board that emits stimuli and captures responses.

    Raises:
        SettingError: the bench file does not say which lines.
    """
    for key in ("stimulus_line", "capture_line"):
        if getattr(board, key).line == "":
            raise SettingError(
                f"the board {name} is to emit stimuli and has no {key}",
                where=f"board.{name}.{key}",
                remedy="name a line that is wired to the input (stimulus_line) or the output (capture_line)",
            )
    lines = {"stimulus": board.stimulus_line, "capture": board.capture_line}
    if board.capture_fall_line.line != "":
        lines["capture_fall"] = board.capture_fall_line
    return {
        "route": "chardev",
        "lines": {role: line.model_dump(mode="json") for role, line in lines.items()},
        "collection": "stream",
        "capacity": 65_536,
        "dead_man_s": 30,
    }


def offered(settings: Source, board: Board) -> dict[str, Any]:
    """What a pulse source's constructor may have of the bench, by the names of its parameters."""
    baud = {} if settings.baud is None else {"baud": settings.baud}
    limit_v = settings.level_v if settings.divider else board.input_limit_v
    return {"port": settings.port, "high_v": settings.level_v, "input_limit_v": limit_v} | baud


@contextlib.contextmanager
def open_board(name: str, settings: Board, typed: bool = False) -> Iterator[BoardClient]:
    """A board's agent, greeted; it is ended on leaving.

    Args:
        typed: the user named the board and how to reach it on the command line; otherwise a bench file did, which may
            be anybody's.

    Raises:
        SettingError: the bench file would have a program run on this computer that nobody has allowed.
        LinkError: it cannot be reached.
        BoardError: it cannot run the agent.
    """
    if not typed:
        require_trust(name, settings)
    with contextlib.ExitStack() as stack:
        link: ByteLink = _link(name, settings)
        client = BoardClient(link)
        stack.callback(client.close)
        client.greet()
        yield client


def _link(name: str, settings: Board) -> ByteLink:
    if settings.link == "local":
        return start_locally(build_bundle(), name, settings.python or sys.executable)
    return start_over_ssh(settings.host, build_bundle(), settings.python, settings.ssh_config)


def with_wires(settings: Board, source: PulseSource) -> Board:
    """The board's settings with a virtual route joined to a virtual source's wires.

    Raises:
        SettingError: only one of the two is virtual.
    """
    wires = getattr(source, "wires", None)
    if software_wires(settings.route) != (wires is not None):
        raise SettingError(
            "the route 'virtual' and the source 'virtual' go together, and only with each other",
            where=f"route {settings.route}, source {source.identity.kind}",
            remedy="make both virtual or neither",
        )
    if wires is None:
        return settings
    line = settings.input.model_copy(update={"chip": str(wires), "line": 0})
    return settings.model_copy(update={"input": line, "output": line})
