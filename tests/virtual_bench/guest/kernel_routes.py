"""Binds the routes to the suite of `tests/conformance` on the kernel they run on; executed on the board as root.

STIM_OUT drives EYE_IN over a wire; REJECT_OUT is read where gpio-sim shows its level, and its pulses are counted at
CAPTURE_IN, at the other end of another wire.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.conformance.routes import WAIT_S, RouteBench, RouteConformance

from edgereply_agent.routes import registry
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.settings import LineSpec

WIRES = "STIM_OUT->EYE_IN\nREJECT_OUT->CAPTURE_IN\n"
PULSE_S = 0.0002


def spec(role: str, line: str) -> LineSpec:
    """A line as is, on whatever chip has it."""
    return LineSpec(role, "", line, False, "as-is")


class KernelBench(RouteBench):
    """One route on the lines of the gate's chip."""

    def __init__(self, name: str) -> None:
        self.route = registry.load(name)
        self.input, self.output, self.unknown = (
            spec("input", "EYE_IN"),
            spec("output", "REJECT_OUT"),
            spec("input", "EYE_OUT"),
        )
        Path("/dev/edgereply-wires").write_text(WIRES)
        outside = ChardevRoute()
        self._stimulus = outside.output(spec("output", "STIM_OUT"))
        self._capture = outside.input(spec("input", "CAPTURE_IN"), "falling", 1024)
        (self._value,) = Path("/sys/devices/platform").glob("gpio-sim.*/gpiochip*/sim_gpio23/../sim_gpio5/value")
        self._pulses = 0

    def edge(self) -> int:
        before_ns = time.monotonic_ns()
        self._stimulus.high()
        # The kernel would merge the edge with one that follows while its interrupt is being served.
        time.sleep(PULSE_S)
        self._stimulus.low()
        return before_ns

    def pulses(self, count: int) -> None:
        end = time.monotonic() + WAIT_S
        while self._pulses < count:
            assert time.monotonic() < end, f"{self._pulses} pulses of {count}"
            while self._capture.ready() == self._capture.expected:
                self._capture.read()
                self._pulses += 1
            time.sleep(0.0005)

    def output_level(self) -> int:
        return int(self._value.read_text())

    def close(self) -> None:
        self._stimulus.close()
        self._capture.close()
        self.route.close()


class OnKernel(RouteConformance):
    """Subclasses name the route."""

    name = ""

    @pytest.fixture
    def bench(self) -> Iterator[RouteBench]:
        bench = KernelBench(self.name)
        yield bench
        bench.close()


class TestChardev(OnKernel):
    name = "chardev"


class TestGpiod(OnKernel):
    name = "gpiod"


class TestSysfs(OnKernel):
    name = "sysfs"
