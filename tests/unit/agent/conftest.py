"""A real agent on virtual wires."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.fakes.agent_process import AgentProcess
from tests.fakes.virtual_wires import WiresPeer


class VirtualBoard:
    """An agent subprocess and the far end of its wires."""

    def __init__(self, folder: Path) -> None:
        self.wires = WiresPeer(folder / "wires")
        self.agent = AgentProcess()

    def settings(self, **changes: Any) -> dict[str, Any]:
        """Settings of `respond` over the wires."""
        line = {"chip": str(self.wires.path), "line": 0}
        return {"route": "virtual", "lines": {"input": line, "output": line}, **changes}

    def respond(self, **changes: Any) -> None:
        """Greet, configure, start."""
        self.agent.greet()
        self.agent.configure("respond", self.settings(**changes))
        assert self.wires.wires
        self.agent.start()

    def pulse(self) -> tuple[int, int, int]:
        """One edge and its answer: stamps of edge, rise, fall in ns."""
        edge_ns = self.wires.edge()
        rise_ns, high = self.wires.change()
        fall_ns, low = self.wires.change()
        assert (high, low) == (1, 0)
        return edge_ns, rise_ns, fall_ns


@pytest.fixture
def board(tmp_path: Path) -> Iterator[VirtualBoard]:
    """Closed afterwards, whatever happened."""
    made = VirtualBoard(tmp_path)
    with made.agent:
        yield made
    made.wires.close()
