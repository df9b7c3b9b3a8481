"""Both edges of one line, told apart where the kernel's ids contradict the order."""

from __future__ import annotations

from pathlib import Path

import pytest

from edgereply_agent.capturing import FALL, FALL_LOST, RISE, SETTLE_NS, STIMULUS, Capture, TwoEdges
from edgereply_agent.ring import Ring
from edgereply_agent.routes.base import FALLING, RISING
from edgereply_agent.routes.chardev import ChardevRoute
from edgereply_agent.routes.chips import Chips
from edgereply_agent.settings import LineSpec
from edgereply_protocol import Layout
from tests.fakes.gpio_kernel import FakeChip, FakeGpioKernel, FakeLine

FAR = 10 * SETTLE_NS


@pytest.mark.parametrize(
    ("level", "events", "wanted"),
    [
        (0, [(10, RISING), (20, FALLING)], [(RISE, 10), (FALL, 20)]),
        # A short pulse: when the thread reads the level for the first event, the line is low again.
        (0, [(10, FALLING), (20, FALLING)], [(RISE, 10), (FALL, 20)]),
        (0, [(10, FALLING), (20, FALLING), (FAR, FALLING), (FAR + 9, FALLING)],
         [(RISE, 10), (FALL, 20), (RISE, FAR), (FALL, FAR + 9)]),
        # Both edges in one event.
        (0, [(10, FALLING)], [(RISE, 10), (FALL_LOST, 10)]),
        (0, [(10, FALLING), (FAR, RISING), (FAR + 9, FALLING)],
         [(RISE, 10), (FALL_LOST, 10), (RISE, FAR), (FALL, FAR + 9)]),
        (0, [(10, FALLING), (FAR, FALLING)], [(RISE, 10), (FALL_LOST, 10), (RISE, FAR), (FALL_LOST, FAR)]),
        (0, [(10, FALLING), (20, RISING), (99, FALLING)], [(RISE, 10), (FALL_LOST, 10), (RISE, 20), (FALL, 99)]),
        # A short gap: low and high again before the level was read.
        (0, [(10, RISING), (50, RISING), (60, RISING), (99, FALLING)],
         [(RISE, 10), (FALL, 50), (RISE, 60), (FALL, 99)]),
        (1, [(10, RISING)], [(FALL_LOST, 10), (RISE, 10)]),
        (1, [(10, FALLING), (20, RISING)], [(FALL, 10), (RISE, 20)]),
    ],
)  # fmt: skip
def test_edges(level: int, events: list[tuple[int, int]], wanted: list[tuple[int, int]]) -> None:
    seen: list[tuple[int, int]] = []
    edges = TwoEdges(lambda kind, at_ns, _seqno: seen.append((kind, at_ns)), level)
    for number, (at_ns, kind) in enumerate(events):
        edges.feed(at_ns, kind, number)
        edges.settle(at_ns)
    edges.settle(1 << 62)
    assert seen == wanted


def test_nothing_is_decided_before_it_is_settled() -> None:
    seen: list[int] = []
    edges = TwoEdges(lambda kind, _at_ns, _seqno: seen.append(kind))
    edges.feed(10, FALLING, 1)
    edges.settle(10 + SETTLE_NS - 1)
    assert seen == []
    edges.settle(10 + SETTLE_NS)
    assert seen == [RISE, FALL_LOST]


def test_capture_counts_what_each_line_lost(tmp_path: Path) -> None:
    kernel = FakeGpioKernel(tmp_path, [FakeChip("bank", [FakeLine("IN"), FakeLine("OUT")])])
    route = ChardevRoute(Chips(f"{tmp_path}/", kernel.ioctl))
    first = route.input(LineSpec("input", "", "IN", False, "as-is"), "rising", 64)
    second = route.input(LineSpec("output", "", "OUT", False, "as-is"), "both", 64)
    kernel.edge("IN")  # before the start: flushed, not lost
    ring = Ring(Layout.EVENTS, 64)
    capture = Capture([(first, STIMULUS, False), (second, RISE, True)], ring)
    assert capture.take() == 0
    kernel.edge("IN", skip=3)
    kernel.edge("OUT", skip=2)
    kernel.edge("OUT", kind=2)
    assert capture.take() == 3
    assert ring.counts() == (3, 5, 0)
    block = ring.drain(final=True)
    assert block is not None
    assert list(block.columns["kind"]) == [STIMULUS, RISE, FALL]
    assert list(block.columns["seqno"]) == [5, 3, 4]
    first.close()
    second.close()
    kernel.close()
