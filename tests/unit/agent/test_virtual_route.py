"""Software wires that nobody reads: an output still goes low."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from edgereply_agent.routes.virtual import VirtualRoute
from edgereply_agent.settings import LineSpec
from tests.fakes.virtual_wires import WiresPeer


def test_low_waits_for_room_on_an_interrupted_connection(tmp_path: Path) -> None:
    """Interrupting makes the shared connection non-blocking; a full buffer must not keep the output high."""
    peer, route = WiresPeer(tmp_path / "wires"), VirtualRoute()
    try:
        spec = LineSpec("output", str(tmp_path / "wires"), 0, False, "as-is", "")
        line, output = route.input(spec, "rising", 1024), route.output(spec)
        line.interrupt()
        fill = (output.high() for _ in range(1_000_000))
        with pytest.raises(BlockingIOError):
            sum(fill)
        levels: list[int] = []
        reader = threading.Timer(0.2, lambda: levels.extend(peer.changes_until_closed()))
        reader.start()
        output.low()
        route.close()
        reader.join()
        assert levels[-1] == 0
        assert set(levels[:-1]) == {1}
    finally:
        route.close()
        peer.close()
