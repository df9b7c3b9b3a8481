"""Task `observe`: only stamp edges of the board's input and output; some other program answers, or nobody."""

from __future__ import annotations

import time

from edgereply_agent.capturing import FALL, RISE, STIMULUS, Capture
from edgereply_agent.errors import RouteError
from edgereply_agent.ring import STOP, Ring
from edgereply_agent.routes.base import InputLine
from edgereply_agent.settings import Reader, read_common
from edgereply_protocol import ROUTES, Json, Layout

from .base import Started, Task

# The kernel stamps and keeps edges by itself. Waking for each would take the processor from the program that answers.
READ_EVERY_S = 0.02


class Observe(Task):
    """Both lines are inputs. Nothing is driven.

    By default the output's two edges come from one request, told apart by order (see `capturing` for when that fails).
    With a second line wired to the output and named `output_fall`, each edge has a request of its own; with the setting
    `edges` at "rising" there are no falls at all. Both are right for pulses of any length.
    """

    name = "observe"

    def __init__(self, settings: Json, private_fds: tuple[int, ...]) -> None:
        super().__init__(private_fds)
        reader = Reader(settings, "settings")
        common = read_common(reader, ("input", "output", "output_fall"), tuple(ROUTES))
        edges = reader.choice("edges", ("both", "rising"), "both")
        try:
            route = self._common(common)
            if not route.stamps_edges or route.name == "virtual":
                raise RouteError(
                    "bad-setting", f"the route {route.name} cannot observe: it has no kernel stamps of both lines",
                    "route", "use the route chardev",
                )  # fmt: skip
            lines: list[tuple[InputLine, int, bool]] = []
            buffer = common.event_buffer
            lines.append((self._held.input(route, common.lines["input"], "rising", buffer), STIMULUS, False))
            fall = common.lines.get("output_fall")
            both = fall is None and edges == "both"
            output = self._held.input(route, common.lines["output"], "both" if both else "rising", buffer)
            lines.append((output, RISE, both))
            if fall is not None:
                lines.append((self._held.input(route, fall, "falling", buffer), FALL, False))
            self._guard(common)
            self._work(
                "observer", Layout.EVENTS, common, None, lambda ring, started: _observe(lines, output, ring, started)
            )
            self._look_on(answering=False)
        except BaseException:
            self.close()
            raise


def _observe(lines: list[tuple[InputLine, int, bool]], output: InputLine, ring: Ring, started: Started) -> None:
    capture = Capture(lines, ring, output.level())
    cells = ring.cells
    started()
    while not cells[STOP]:
        time.sleep(READ_EVERY_S)
        capture.take()
        capture.settle(time.monotonic_ns())
    capture.take()
    capture.settle(1 << 62)
