"""What the responder's own calls cost."""

from __future__ import annotations

import time
from typing import Any

import pytest

from edgereply_agent import observer
from edgereply_agent.observer import REPEATS, own_costs


class Clock:
    """Each reading takes 40 ns, as seen by itself."""

    def __init__(self) -> None:
        self.ns = 0

    def monotonic_ns(self) -> int:
        """Advance and read."""
        self.ns += 40
        return self.ns


class Line:
    """An input without an event; asking takes 0.7 µs, but one call is interrupted for a second."""

    def __init__(self, clock: Clock, slow_call: int = -1) -> None:
        self._clock, self._slow_call = clock, slow_call
        self.calls = 0

    def ready(self) -> list[Any]:
        """No event."""
        self._clock.ns += 10**9 if self.calls == self._slow_call else 700
        self.calls += 1
        return []


@pytest.mark.parametrize("slow_call", [-1, 0, REPEATS - 1])
def test_costs_are_the_calls_own_and_an_interruption_does_not_count(
    monkeypatch: pytest.MonkeyPatch, slow_call: int
) -> None:
    clock = Clock()
    monkeypatch.setattr(observer, "time", clock)
    line: Any = Line(clock, slow_call)
    assert own_costs(line) == {"clock_ns": 40, "poll_ns": 700}
    assert line.calls == REPEATS


def test_with_the_real_clock_a_call_costs_at_least_its_sleep() -> None:
    line: Any = Line(Clock())
    line.ready = lambda: time.sleep(0.0005)
    assert own_costs(line)["poll_ns"] > 400_000
