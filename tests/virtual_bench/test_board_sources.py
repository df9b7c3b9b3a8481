"""Boards as pulse sources, `self` and `board`, in the suite of all sources: real lines, real ssh (virtual).

Each stimulus is answered by the responder in C, whose pulses are too short for one line to tell both edges.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import ClassVar

import pytest

from edgereply.board.bundle import build_bundle
from edgereply.board.client import BoardClient
from edgereply.board.ssh import start_over_ssh
from edgereply.config.bench_file import parse_bench
from edgereply.config.settings import Bench
from edgereply.errors import LinkError
from edgereply.measurement.assembly import emitter_settings
from edgereply.sources.base import PulseSource, StimulusPlan
from edgereply.sources.board import BoardSource
from tests.conformance.pulse_source import PulseSourceSuite
from tests.virtual_bench.own_program import WAIT_S
from tests.virtual_board import SELF_WIRES, VirtualBoard
from tests.virtual_board.fixtures import Boot
from tests.virtual_board.responding import responding

WIRES = (*SELF_WIRES, "REJECT_OUT->SPARE_OUT")


class BoardSourceSuite(PulseSourceSuite):
    """One session of the agent serves all tests of a class, as it serves all conditions of a series."""

    plan: ClassVar[StimulusPlan] = StimulusPlan(period_ns=5_000_000, floor_ns=2_000_000, spread_ns=2_000_000, count=20)
    pairs = True
    endless = 4_000
    board: ClassVar[VirtualBoard]
    session: ClassVar[BoardClient | None] = None

    @contextlib.contextmanager
    def opened(self) -> Iterator[PulseSource]:
        name, emitter = self.bench().pick("")
        suite = type(self)
        try:
            if suite.session is not None:
                suite.session.ping()
        except LinkError:
            suite.session = None  # the test before closed it
        if suite.session is None:
            suite.session = BoardClient(start_over_ssh(emitter.host, build_bundle(), config=emitter.ssh_config))
            suite.session.greet()
        source = BoardSource(suite.session, self.kind, emitter_settings(name, emitter))
        yield source
        with contextlib.suppress(LinkError):
            source.abort()

    def bench(self) -> Bench:
        """The board's lines."""
        lines = {"stimulus_line": "STIM_OUT", "capture_line": "CAPTURE_IN", "capture_fall_line": "SPARE_OUT"}
        reach = {"host": self.board.host, "ssh_config": str(self.board.ssh_config)}
        board = {**reach, **lines, "input": "EYE_IN", "output": "REJECT_OUT"}
        return parse_bench({"board": {"gate": board}, "source": {"kind": "self"}}, "bench.toml")

    @contextlib.contextmanager
    def answered(self, source: PulseSource) -> Iterator[None]:
        with responding(self.board, self.plan.count, WAIT_S):
            yield


@pytest.fixture(scope="class")
def wired(request: pytest.FixtureRequest, _booted: Boot) -> Iterator[None]:
    """The board of a class, wired to itself."""
    suite = request.cls
    suite.board = _booted("plain", True)
    suite.board.wire(*WIRES)
    yield
    if suite.session is not None:
        suite.session.close()


@pytest.mark.virtual_board
@pytest.mark.usefixtures("wired")
class TestSelf(BoardSourceSuite):
    kind = "self"


@pytest.mark.virtual_board
@pytest.mark.usefixtures("wired")
class TestBoard(BoardSourceSuite):
    kind = "board"
