"""Binds the routes to the suite: `virtual` over real sockets, the others at a fake kernel boundary."""

from __future__ import annotations

import select
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips
from edgereply_agent.routes.gpiod_route import GpiodRoute
from edgereply_agent.routes.sysfs import SysfsRoute
from edgereply_agent.routes.virtual import VirtualRoute
from edgereply_agent.settings import LineSpec
from tests.conformance.routes import RouteBench, RouteConformance
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine
from tests.fakes.gpiod_package import FakeGpiod
from tests.fakes.sysfs_gpio import FakeSysfs
from tests.fakes.virtual_wires import WiresPeer


def spec(role: str, line: str | int, chip: str = "") -> LineSpec:
    """A line as is."""
    return LineSpec(role, chip, line, False, "as-is")


class VirtualBench(RouteBench):
    """Wires."""

    exclusive, levels = False, False

    def __init__(self, path: Path) -> None:
        self.peer = WiresPeer(path)
        self.route = VirtualRoute()
        self.unknown = None
        self.input, self.output = spec("input", 0, str(path)), spec("output", 0, str(path))
        self._pulses = self._level = 0

    def edge(self) -> int:
        return self.peer.edge()

    def pulses(self, count: int) -> None:
        while self._pulses < count:
            self._level = self.peer.change()[1]
            self._pulses += not self._level

    def output_level(self) -> int:
        while select.select([self.peer.wires], [], [], 0.02)[0]:
            self._level = self.peer.change()[1]
        return self._level

    def close(self) -> None:
        self.route.close()
        self.peer.close()


class FakeKernelBench(RouteBench):
    """A fake kernel; the route is made by the subclass."""

    def __init__(self, root: Path) -> None:
        lines = [FakeLine("GATE_IN"), FakeLine("GATE_OUT"), FakeLine("OTHER")]
        self.kernel = FakeGpioKernel(root, [FakeChip("bank-a"), FakeChip("bank-b", lines)])
        self.chips = Chips(f"{root}/", self.kernel.ioctl)
        self.input, self.output, self.unknown = (
            spec("input", "GATE_IN"),
            spec("output", "GATE_OUT"),
            spec("input", "NO"),
        )
        self._pulses = 0

    def edge(self) -> int:
        return self.kernel.edge("GATE_IN")

    def pulses(self, count: int) -> None:
        while self._pulses < count:
            self._pulses += not self.kernel.change("GATE_OUT")

    def output_level(self) -> int:
        return self.kernel.level("GATE_OUT")

    def close(self) -> None:
        self.kernel.close()


class TestVirtual(RouteConformance):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[RouteBench]:
        bench = VirtualBench(tmp_path / "wires")
        yield bench
        bench.close()


class TestChardevOnFakeKernel(RouteConformance):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[RouteBench]:
        bench = FakeKernelBench(tmp_path)
        bench.route = ChardevRoute(bench.chips)
        yield bench
        bench.close()


class TestGpiodOnFakeKernel(RouteConformance):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[RouteBench]:
        bench = FakeKernelBench(tmp_path)
        bench.route = GpiodRoute(bench.chips, FakeGpiod(bench.kernel))
        yield bench
        bench.close()


class SysfsBench(RouteBench):
    """A fake tree of files; edges come as urgent data on a socket, which poll reports like sysfs does."""

    def __init__(self, root: Path) -> None:
        self.tree = FakeSysfs(root, {"bank-a": (512, 4), "bank-b": (516, 4)})
        self.route = SysfsRoute(f"{root}/", pread=self.tree.pread, pwrite=self.tree.pwrite, pending=select.POLLPRI)
        self.input, self.output = spec("input", 1, "bank-b"), spec("output", 2, "bank-b")
        self.unknown = spec("input", 9, "bank-b")
        self._seen = 0

    def edge(self) -> int:
        before_ns = time.monotonic_ns()
        self.tree.edge(517)
        return before_ns

    def pulses(self, count: int) -> None:
        end = time.monotonic() + 10
        while self.tree.pulses(518) < count:
            assert time.monotonic() < end
            time.sleep(0.001)

    def output_level(self) -> int:
        return self.tree.level(518)

    def close(self) -> None:
        self.tree.close()


class TestSysfsOnFakeTree(RouteConformance):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[RouteBench]:
        bench = SysfsBench(tmp_path)
        yield bench
        bench.close()
