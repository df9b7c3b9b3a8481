"""Calibration in simulated time: two clocks of known rates, one instrument under the other's pulses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from edgereply.config.bench_file import parse_bench
from edgereply.errors import SettingError, SourceError
from edgereply.measurement.assembly import declared
from edgereply.measurement.calibration import against_computer, against_pulses
from edgereply.sources.base import SourceBatch, SourceIdentity, StimulusPlan
from edgereply.storage.stamps import RISE, STIMULUS
from tests.fakes.scripted_source import ScriptedSource, batch


class World:
    """True time in ns; it passes while somebody waits."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.pulses_ns: list[int] = []


class Clock(ScriptedSource):
    """A source whose clock is off by so much; it stamps its own stimuli and the world's pulses."""

    def __init__(self, world: World, error_ppm: float, delay: Callable[[], int] = lambda: 0) -> None:
        super().__init__([])
        self.world, self.rate, self.delay = world, 1 + error_ppm * 1e-6, delay
        self.identity = SourceIdentity(kind="reference", model="m", serial="0", firmware="1", tick_hz=16_000_000,
                                       tolerance_ppm=5000.0, captures=True, virtual=True)  # fmt: skip
        self.sent = 0

    def arm(self, plan: StimulusPlan) -> StimulusPlan:
        self.plan, self.began_ns, self.sent, self.taken = plan, self.world.now_ns, 0, 0
        return plan

    def _next_ns(self) -> int:
        return self.began_ns + round((self.sent + 1) * self.plan.period_ns / self.rate)

    def read(self, timeout_s: float) -> SourceBatch | None:
        world = self.world
        edges = []
        if not timeout_s:  # the better clock, whose stimuli are the world's pulses
            while self.plan.count > self.sent and self._next_ns() <= world.now_ns + 500_000_000:
                world.pulses_ns.append(self._next_ns())
                self.sent += 1
            return None
        at = self._next_ns()
        world.now_ns = at + self.delay()
        self.sent += 1
        edges.append((STIMULUS, self._stamp(at)))
        while self.taken < len(world.pulses_ns) and world.pulses_ns[self.taken] <= world.now_ns:
            edges.append((RISE, self._stamp(world.pulses_ns[self.taken])))
            self.taken += 1
        return batch(edges)

    def _stamp(self, true_ns: int) -> int:
        return int(true_ns * self.rate / 62.5) * 125 // 2


@pytest.mark.parametrize("error_ppm", [-4000.0, 18.25])
def test_against_the_computer(error_ppm: float) -> None:
    world, rng = World(), np.random.default_rng(1)
    source = Clock(world, error_ppm, lambda: int(100_000 + rng.exponential(500_000)))
    parts: list[float] = []
    rate = against_computer(source, 300_000_000_000, 1.0, parts.append, lambda: world.now_ns)
    assert abs(rate.error_ppm - error_ppm) <= rate.expanded_ppm < 3.0
    assert rate.reference_ppm == pytest.approx(1 / 3**0.5)
    assert source.calls == ["start", "abort"]
    assert parts == sorted(parts)


def test_against_a_second_source() -> None:
    """The error is the difference of the two clocks' errors, to a part in a million."""
    world = World()
    source, better = Clock(world, 1200.0), Clock(world, -3.0)
    rate = against_pulses(source, 60_000_000_000, 10_000_000, 5.0, lambda _: None, better, lambda: world.now_ns)
    assert rate.error_ppm == pytest.approx(1203.0, abs=0.1)
    assert abs(rate.error_ppm - 1200.0) <= rate.expanded_ppm
    assert better.calls == ["start", "abort"]


def test_ctrl_c_keeps_what_was_read() -> None:
    world = World()
    source = Clock(world, 40.0)

    def interrupt(part: float) -> None:
        if part > 0.5:
            raise KeyboardInterrupt

    rate = against_computer(source, 60_000_000_000, 1.0, interrupt, lambda: world.now_ns)
    assert rate.span_ns < 40_000_000_000
    assert abs(rate.error_ppm - 40.0) <= rate.expanded_ppm
    with pytest.raises(KeyboardInterrupt):
        against_computer(source, 60_000_000_000, 1.0, lambda _: interrupt(1.0), lambda: world.now_ns)
    assert source.calls[-1] == "abort"


def test_what_cannot_be_calibrated_is_said() -> None:
    world = World()
    with pytest.raises(SettingError, match="more than a second"):
        against_computer(Clock(world, 0.0), 10, 1.0, lambda _: None, lambda: world.now_ns)
    blind = ScriptedSource([], captures=False)
    with pytest.raises(SettingError, match="does not stamp"):
        against_computer(blind, 2_000_000_000, 1.0, lambda _: None, lambda: world.now_ns)
    with pytest.raises(SourceError, match="too few"):  # no wire: no pulse comes
        against_pulses(Clock(world, 0.0), 30_000_000_000, 10_000_000, 1.0, lambda _: None, None, lambda: world.now_ns)


BOARD = {"board": {"b": {"responder": "external"}}}


def test_the_bench_file_says_what_the_firmware_cannot_know() -> None:
    def source(**more: object) -> SourceIdentity:
        bench = parse_bench(BOARD | {"source": {"kind": "reference", "port": "p"} | more}, "bench.toml")
        return declared(Clock(World(), 0.0), bench.source).identity

    assert (source().tolerance_ppm, source().serial) == (5000.0, "0")
    assert (source(tolerance_ppm=30).tolerance_ppm, source(tolerance_ppm=30).serial) == (30.0, "0")
    assert (source(serial_number="A7").tolerance_ppm, source(serial_number="A7").serial) == (5000.0, "A7")
    assert source(tolerance_ppm=0).tolerance_ppm == 0.0
    with pytest.raises(SettingError, match="tolerance_ppm"):
        source(tolerance_ppm=-1)


def test_another_source_than_the_one_meant_is_refused() -> None:
    bench = parse_bench(BOARD | {"source": {"kind": "reference", "port": "p", "serial_number": "A7"}}, "bench.toml")
    one = Clock(World(), 0.0)
    one.identity = SourceIdentity(kind="reference", model="m", serial="B1", firmware="1", tick_hz=1, tolerance_ppm=1.0,
                                  captures=True, virtual=True)  # fmt: skip
    with pytest.raises(SourceError, match="serial number 'B1', the bench file means 'A7'"):
        declared(one, bench.source)
    found = declared(Clock(World(), 0.0), bench.source)
    assert found.level() == 0
    assert found.world is not None  # type: ignore[attr-defined]
    found.close()
