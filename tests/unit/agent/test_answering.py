"""The hot loops: what they do in which order, by a clock that only ticks when it is read."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from edgereply_agent import answering
from edgereply_agent.errors import RouteError
from edgereply_agent.ring import BASE, SEQNO, STOP, Ring
from edgereply_agent.routes.base import InputLine, OutputLine
from edgereply_agent.settings import LineSpec
from edgereply_protocol import Layout

SPEC = LineSpec("input", "", "X", False, "as-is")


class ScriptedInput(InputLine):
    """Gives events from a list, then asks the ring's stop cell to be set and interrupts."""

    def __init__(self, events: list[Any], log: list[str], ring: Ring) -> None:
        self.spec, self.expected = SPEC, [(3, 1)]
        self._events, self._log, self._ring = events, log, ring
        self.read, self.ready, self.decode = self._read, self._ready, self._decode

    def _read(self) -> Any:
        if not self._events:
            self._ring.stop()
            raise BlockingIOError
        self._log.append("read")
        return self._events.pop(0)

    def _ready(self) -> list[tuple[int, int]]:
        if self._events:
            return self.expected
        self._ring.stop()
        return []

    def _decode(self, event: Any) -> tuple[int, int, int, int]:
        self._log.append("decode")
        return int(event), 1, int(event) * 10, int(event) * 100

    def level(self) -> int:
        return 0

    def interrupt(self) -> None: ...

    def close(self) -> None: ...


class LoggedOutput(OutputLine):
    """Logs what it is told."""

    def __init__(self, log: list[str]) -> None:
        self.spec = SPEC
        self.high: Callable[[], Any] = lambda: log.append("high")
        self.low: Callable[[], Any] = lambda: log.append("low")

    def level(self) -> int:
        return 0

    def close(self) -> None: ...


@pytest.fixture
def log(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Log of calls; each reading of the clock is one ns later and is logged too."""
    entries: list[str] = []

    def now() -> int:
        entries.append("now")
        return sum(entry == "now" for entry in entries)

    monkeypatch.setattr("edgereply_agent.answering.time.monotonic_ns", now)
    return entries


def test_block_writes_high_right_after_waking(log: list[str]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    answering.answer_blocking(ScriptedInput([5], log, ring), LoggedOutput(log), ring, 0)
    assert log == ["read", "now", "high", "now", "low", "now", "decode"]
    block = ring.drain(final=True)
    assert block is not None
    assert [list(values) for values in block.columns.values()] == [[5], [1], [2], [3], [50], [500]]
    assert ring.counts()[0] == 1


def test_spin_writes_high_before_it_reads(log: list[str]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    answering.answer_spinning(ScriptedInput([5], log, ring), LoggedOutput(log), ring, 0)
    assert log == ["now", "high", "now", "low", "now", "read", "decode"]
    block = ring.drain(final=True)
    assert block is not None
    assert [list(values) for values in block.columns.values()] == [[5], [1], [2], [3], [50], [500]]


@pytest.mark.parametrize("loop", answering.LOOPS.values())
def test_hold_waits_until_it_is_over(log: list[str], loop: Callable[..., None]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    loop(ScriptedInput([5], log, ring), LoggedOutput(log), ring, 4)
    high, low = log.index("high"), log.index("low")
    # set is taken at 2; 3, 4, 5 are too early, 6 = set + hold ends it.
    assert log[high : low + 1] == ["high", "now", "now", "now", "now", "now", "low"]


@pytest.mark.parametrize("loop", answering.LOOPS.values())
def test_stop_ends_the_loop_although_edges_wait(log: list[str], loop: Callable[..., None]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    line = ScriptedInput([1, 2, 3], log, ring)
    output = LoggedOutput(log)

    def low() -> None:
        log.append("low")
        ring.stop()

    output.low = low
    loop(line, output, ring, 0)
    assert ring.cells[STOP]
    assert log.count("high") == log.count("low") == 1


@pytest.mark.parametrize("loop", answering.LOOPS.values())
def test_end_of_the_input_is_no_edge(log: list[str], loop: Callable[..., None]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    with pytest.raises(RouteError) as caught:
        loop(ScriptedInput([b""], log, ring), LoggedOutput(log), ring, 0)
    assert caught.value.code == "lost-line"
    assert log.count("high") == log.count("low")
    assert ring.counts()[0] == 0


def test_spin_does_not_answer_a_hang_up(log: list[str]) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    line = ScriptedInput([1], log, ring)
    line.ready = lambda: [(3, 0x10)]
    with pytest.raises(RouteError):
        answering.answer_spinning(line, LoggedOutput(log), ring, 0)
    assert "high" not in log


@pytest.mark.parametrize("wait", answering.LOOPS)
def test_a_line_lost_between_high_and_low_is_set_low(log: list[str], wait: str) -> None:
    ring = Ring(Layout.ANSWERS, 8)
    line, output = ScriptedInput([1], log, ring), LoggedOutput(log)
    line.flush = lambda: 7  # type: ignore[method-assign]

    def high() -> None:
        log.append("high")
        raise OSError(5, "Input/output error")

    output.high = high
    with pytest.raises(OSError, match="Input/output"):
        answering.answer(wait, line, output, ring, 0, lambda: log.append("started"))
    assert [entry for entry in log if entry not in ("now", "read")] == ["started", "high", "low"]
    assert (ring.cells[BASE], ring.cells[SEQNO]) == (7, 7)
