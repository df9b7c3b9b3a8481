"""The peer's bookkeeping on a clock that the test moves."""

from __future__ import annotations

import itertools
import random
import struct
from typing import cast

import pytest

from edgereply.sources.simulator import peer as module
from edgereply.sources.simulator.clock import VirtualClock
from edgereply.sources.simulator.faults import Faults
from edgereply.sources.simulator.line import SerialLine
from edgereply.sources.simulator.peer import Peer
from edgereply.sources.simulator.stimulus import SimulatedStimulus
from edgereply.sources.simulator.wires import Wires

MS = 1_000_000
MARK, STIMULUS, RISE, FALL, LOST = 5, 1, 2, 3, 6


class StubWires:
    """Changes that a board stamped earlier and that arrive now."""

    def __init__(self) -> None:
        self.level = 0
        self.arriving: list[tuple[int, int]] = []
        self.emitted: list[int] = []

    def changes(self, _now_ns: int) -> list[tuple[int, int]]:
        arrived, self.arriving = self.arriving, []
        return arrived

    def emit(self, at_ns: int) -> None:
        self.emitted.append(at_ns)


class Bench:
    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_ns = 0
        monkeypatch.setattr(module, "monotonic_ns", lambda: self.now_ns)
        self.wires = StubWires()
        clock = VirtualClock(tick_hz=1_000_000_000, drift_ppb=0, offset=0, origin_ns=0)
        line = cast(SerialLine, None)
        self.peer = Peer(clock, line, cast(Wires, self.wires), Faults(), "1", random.Random(0))
        self.peer.begin(SimulatedStimulus.default(1_000_000_000))

    def stimulate(self, at_ms: int) -> None:
        self.now_ns = at_ms * MS
        assert self.peer._run is not None
        self.peer._stimulate(self.peer._run)

    def arrive(self, at_ms: int, *changes: tuple[int, int]) -> None:
        self.now_ns = at_ms * MS
        self.wires.arriving = [(stamp_ms * MS, level) for stamp_ms, level in changes]
        self.peer._collect()

    def records(self, at_ms: int) -> list[tuple[int, int]]:
        """(kind, ms) of the records released by a flush at this time; the number lost instead of ms."""
        self.now_ns = at_ms * MS
        if self.peer._run is not None:
            self.peer._flush(self.peer._run)
        data = self.peer.take()
        pairs = [struct.unpack_from("<BI", data, at) for at in range(0, len(data), 5)]
        return [(kind, value if kind == LOST else value // MS) for kind, value in pairs]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(monkeypatch)


def test_answers_up_to_50_ms_late_on_the_wires_are_put_in_their_place(bench: Bench) -> None:
    bench.stimulate(10)
    assert bench.records(20) == []
    bench.stimulate(40)
    assert bench.records(51) == [(MARK, 0)]
    bench.arrive(58, (11, 1), (12, 0))
    assert bench.records(95) == [(STIMULUS, 10), (RISE, 11), (FALL, 12), (STIMULUS, 40)]
    assert bench.wires.emitted == [10 * MS, 40 * MS]


def test_answers_later_than_that_are_counted_as_lost(bench: Bench) -> None:
    bench.stimulate(10)
    bench.stimulate(40)
    assert bench.records(95) == [(MARK, 0), (STIMULUS, 10), (STIMULUS, 40)]
    bench.arrive(96, (11, 1), (12, 0))
    bench.stimulate(97)
    assert bench.records(150) == [(LOST, 2), (STIMULUS, 97)]


def test_a_time_mark_each_second(bench: Bench) -> None:
    marks = []
    for at_ms in range(11, 5000, 11):
        marks += [at for kind, at in bench.records(at_ms) if kind == MARK]
    assert marks[0] == 0
    assert len(marks) == 6
    assert all(later - earlier <= 1000 for earlier, later in itertools.pairwise(marks))


def test_the_end_releases_everything_with_a_last_mark(bench: Bench) -> None:
    bench.stimulate(10)
    bench.arrive(12, (11, 1))
    bench.now_ns = 13 * MS
    bench.peer.end()
    assert not bench.peer.running
    assert bench.records(13) == [(MARK, 0), (STIMULUS, 10), (RISE, 11), (MARK, 13)]


def test_what_changes_before_the_run_is_not_recorded(bench: Bench) -> None:
    bench.peer.end()
    bench.arrive(15, (14, 1))
    bench.wires.level = 1
    bench.now_ns = 20 * MS
    bench.peer.begin(SimulatedStimulus.default(1_000_000_000))
    bench.arrive(25, (24, 0))
    assert bench.records(90) == [(MARK, 20), (FALL, 24)]
