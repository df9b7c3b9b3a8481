"""What every route must do. A binding supplies a `RouteBench` through the fixture `bench`.

The suite touches lines only through the bench, so it serves fakes and a real kernel alike: on a real one, `edge` drives
a line wired (or simulated) to the input, and `output_level` reads the output from outside.
"""

from __future__ import annotations

import dataclasses
import os
import signal
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from edgereply_agent.answering import answer
from edgereply_agent.errors import RouteError
from edgereply_agent.ring import Ring
from edgereply_agent.routes.base import RISING, Route
from edgereply_agent.settings import LineSpec, Realtime
from edgereply_agent.worker import Worker
from edgereply_protocol import NO_STAMP, Layout

WAIT_S = 10.0


class RouteBench(ABC):
    """One route on lines of which both ends are at hand."""

    route: Route
    input: LineSpec
    output: LineSpec
    unknown: LineSpec | None
    exclusive = True  # a line that is held is refused to others
    levels = True  # levels can be read

    @abstractmethod
    def edge(self) -> int:
        """Make a rising edge (and let it fall again). Returns CLOCK_MONOTONIC just before, in ns."""

    @abstractmethod
    def pulses(self, count: int) -> None:
        """Wait until the output has risen and fallen so often since it was requested; at most `WAIT_S`."""

    @abstractmethod
    def output_level(self) -> int:
        """Level of the output seen from outside."""

    @abstractmethod
    def close(self) -> None:
        """Give everything back."""


class RouteConformance:
    """Subclass and define a fixture `bench`."""

    def test_output_is_low_then_follows(self, bench: RouteBench) -> None:
        output = bench.route.output(bench.output)
        assert bench.output_level() == 0
        output.high()
        assert bench.output_level() == 1
        if bench.levels:
            assert output.level() == 1
        output.low()
        assert bench.output_level() == 0
        output.close()

    def test_edge_is_stamped_and_numbered(self, bench: RouteBench) -> None:
        line = bench.route.input(bench.input, "rising", 64)
        assert line.ready() == []
        seen = []
        for _ in range(3):
            before_ns = bench.edge()
            _until(lambda: line.ready() == line.expected)
            at_ns, kind, seqno, line_seqno = line.decode(line.read())
            assert kind == RISING
            assert seqno == line_seqno
            assert line.ready() == []
            if bench.route.stamps_edges:
                assert before_ns <= at_ns <= time.monotonic_ns()
            else:
                assert at_ns == NO_STAMP
            seen.append(seqno)
        assert [number - seen[0] for number in seen] == [0, 1, 2]
        line.close()

    def test_flush_takes_what_waits_and_tells_the_last_number(self, bench: RouteBench) -> None:
        line = bench.route.input(bench.input, "rising", 64)
        assert line.flush() == 0
        bench.edge()
        _until(lambda: line.ready() == line.expected)
        last = line.flush()
        assert last == 1
        assert line.ready() == []
        bench.edge()
        _until(lambda: line.ready() == line.expected)
        assert line.decode(line.read())[2] == last + 1
        line.close()

    def test_interrupt_ends_reading(self, bench: RouteBench) -> None:
        line = bench.route.input(bench.input, "rising", 64)
        line.interrupt()
        with pytest.raises(BlockingIOError):
            line.read()
        line.close()

    def test_interrupt_and_signal_wake_a_sleeping_reader(self, bench: RouteBench) -> None:
        line = bench.route.input(bench.input, "rising", 64)
        pid = os.fork()
        if pid == 0:
            signal.signal(signal.SIGTERM, lambda _number, _frame: None)
            try:
                line.read()
            except (BlockingIOError, InterruptedError):
                os._exit(42)
            os._exit(1)
        _until(lambda: _sleeps(pid))
        line.interrupt()
        end = time.monotonic() + WAIT_S
        done, status = os.waitpid(pid, os.WNOHANG)
        while not done and time.monotonic() < end:
            os.kill(pid, signal.SIGTERM)
            time.sleep(0.01)
            done, status = os.waitpid(pid, os.WNOHANG)
        if not done:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
        assert done, "it slept on"
        assert os.waitstatus_to_exitcode(status) == 42
        line.close()

    @pytest.mark.parametrize("wait", ["block", "spin"])
    @pytest.mark.parametrize("hold_ns", [0, 200_000])
    def test_answers_each_edge(self, bench: RouteBench, wait: str, hold_ns: int) -> None:
        output = bench.route.output(bench.output)
        line = bench.route.input(bench.input, "rising", 64)
        ring = Ring(Layout.ANSWERS, 64)
        worker = Worker("responder", ring, partial(answer, wait, line, output, ring, hold_ns), Realtime(), line, ())
        try:
            worker.ready()
            started_ns = worker.go()
            edges_ns = []
            for number in range(1, 11):
                edges_ns.append(bench.edge())
                bench.pulses(number)
                _until(partial(_counted, ring, number))
            worker.stop()
            assert worker.failure() is None
            assert worker.clean
        finally:
            worker.close()
        assert bench.output_level() == 0
        assert ring.counts() == (10, 0, 0)
        block = ring.drain(final=True)
        assert block is not None
        for row, before_ns in enumerate(edges_ns):
            edge, wake, set_, clear = (
                block.columns[name][row] for name in ("edge_ns", "wake_ns", "set_ns", "clear_ns")
            )
            assert started_ns <= before_ns < wake < set_ < clear
            assert clear - set_ >= hold_ns
            if bench.route.stamps_edges:
                assert before_ns <= edge < wake
            else:
                assert edge == NO_STAMP
        line.close()
        output.close()

    @pytest.mark.parametrize("wait", ["block", "spin"])
    def test_stops_without_any_edge(self, bench: RouteBench, wait: str) -> None:
        output = bench.route.output(bench.output)
        line = bench.route.input(bench.input, "rising", 64)
        ring = Ring(Layout.ANSWERS, 64)
        worker = Worker("responder", ring, partial(answer, wait, line, output, ring, 0), Realtime(), line, ())
        worker.ready()
        worker.go()
        worker.stop()
        assert worker.exit_status == 0, "it had to be killed"
        worker.close()
        line.close()
        output.close()

    def test_unknown_line_is_refused(self, bench: RouteBench) -> None:
        if bench.unknown is None:
            # Every name is as good as another where lines have none.
            bench.route.input(dataclasses.replace(bench.input, line="any name"), "rising", 64).close()
            return
        with pytest.raises(RouteError) as caught:
            bench.route.input(bench.unknown, "rising", 64)
        assert caught.value.code == "unknown-line"
        assert caught.value.remedy

    def test_held_line_is_refused_until_it_is_closed(self, bench: RouteBench) -> None:
        line = bench.route.input(bench.input, "rising", 64)
        if not bench.exclusive:
            bench.route.input(bench.input, "rising", 64).close()
            line.close()
            return
        with pytest.raises(RouteError) as caught:
            bench.route.input(bench.input, "rising", 64)
        assert caught.value.code == "busy-line"
        assert caught.value.remedy
        line.close()
        line.close()
        bench.route.input(bench.input, "rising", 64).close()


def _until(condition: Callable[[], bool]) -> None:
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.0005)


def _counted(ring: Ring, number: int) -> bool:
    return ring.counts()[0] == number


def _sleeps(pid: int) -> bool:
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "S"
