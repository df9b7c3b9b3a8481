"""The emitting loop keeps its distances also when the output is slow."""

from __future__ import annotations

import os
import select
import time

from edgereply_agent.capturing import Capture
from edgereply_agent.emitting import HALF_LENGTH, REST_NS, emit
from edgereply_agent.ring import Ring
from edgereply_agent.settings import Plan
from edgereply_protocol import Layout
from tests.unit.agent.test_answering import LoggedOutput, ScriptedInput


def test_a_stimulus_comes_before_its_answer_where_the_responder_interrupts_the_write() -> None:
    """One CPU: the write raises the edge, then the responder has the CPU until it has answered, every time."""
    ring = Ring(Layout.EVENTS, 64)
    read_fd, write_fd = os.pipe()
    line = ScriptedInput([], [], ring)
    line.expected = [(read_fd, select.POLLIN)]
    line.ready = list
    output = LoggedOutput([])
    answers: list[int] = []

    def high() -> None:
        time.sleep(0.001)
        answers.append(time.monotonic_ns())
        time.sleep(0.004)

    output.high, output.low = high, lambda: None
    emit(Plan("periodic", 10_000_000, 50_000, 8, 1_000_000, 0, 1), output, Capture([(line, 2, True)], ring), line, ring)
    block = ring.drain(final=True)
    assert block is not None
    assert all(at < answer for at, answer in zip(block.columns["at_ns"], answers, strict=True))
    assert ring.cells[HALF_LENGTH] > 4_000_000, "the uncertainty is told"
    os.close(read_fd)
    os.close(write_fd)


def test_edges_keep_their_distance_when_the_output_is_slow() -> None:
    """Every fall takes longer than the period, so every stimulus is late: none may follow at once."""
    ring = Ring(Layout.EVENTS, 64)
    read_fd, write_fd = os.pipe()
    line = ScriptedInput([], [], ring)
    line.expected = [(read_fd, select.POLLIN)]
    line.ready = list
    output = LoggedOutput([])
    rises: list[int] = []
    falls: list[int] = []

    def low() -> None:
        time.sleep(0.002)
        falls.append(time.monotonic_ns())

    output.high, output.low = (lambda: rises.append(time.monotonic_ns())), low
    plan = Plan("periodic", 1_000_000, 50_000, 8, 1_000_000, 0, 1)
    emit(plan, output, Capture([(line, 2, True)], ring), line, ring)
    assert len(rises) == len(falls) == 8
    assert all(rise - fall >= REST_NS for fall, rise in zip(falls, rises[1:], strict=False))
    block = ring.drain(final=True)
    assert block is not None
    assert list(block.columns["seqno"]) == list(range(1, 9))
    half_ns = ring.cells[HALF_LENGTH]
    assert all(abs(at - rise) <= half_ns for at, rise in zip(block.columns["at_ns"], rises, strict=True))
    os.close(read_fd)
    os.close(write_fd)
