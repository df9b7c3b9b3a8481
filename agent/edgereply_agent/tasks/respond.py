"""Task `respond`: answer each rising input edge with an output pulse, in a process of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING, Callable, Sequence

from edgereply_agent.answering import answer
from edgereply_agent.errors import SettingError
from edgereply_agent.observer import own_costs
from edgereply_agent.ring import Ring
from edgereply_agent.routes.base import Route
from edgereply_agent.settings import RESPONDERS, WAITS, Reader, read_common
from edgereply_agent.worker import Become
from edgereply_protocol import ROUTES, Json, Layout

from .base import Started, Task

if TYPE_CHECKING:
    from edgereply_agent.floor import Duty, Floor

MAX_HOLD_NS = 1_000_000_000


class Respond(Task):
    """Input and output on one route; one responder, one keeper."""

    name = "respond"

    def __init__(self, settings: Json, private_fds: tuple[int, ...]) -> None:
        super().__init__(private_fds)
        if "stimulate" in settings:
            raise SettingError(
                "a session does one task", "settings.stimulate", "open a second session on the board for stimulate"
            )
        reader = Reader(settings, "settings")
        common = read_common(reader, ("input", "output"), tuple(ROUTES))
        wait = reader.choice("wait", WAITS, "block")
        hold_ns = reader.integer("hold_ns", 0, MAX_HOLD_NS, 0)
        responder = reader.choice("responder", RESPONDERS, "agent")
        program = reader.text("floor_program", "")
        try:
            route = self._common(common)
            self.in_effect.update(wait=wait, hold_ns=hold_ns, responder=responder)
            floor = self._floor(route, program) if responder == "floor" else None
            output = self._held.output(route, common.lines["output"])
            line = self._held.input(route, common.lines["input"], "rising", common.event_buffer)
            self._guard(common, spins=wait == "spin")

            def respond(ring: Ring, started: Started) -> None:
                answer(wait, line, output, ring, hold_ns, started)

            def costs() -> Json:
                return {"observer": own_costs(line)}

            become = None
            if floor is not None:
                from edgereply_agent.floor import Duty

                become = _becoming(floor, Duty(route, line, output, wait, hold_ns))
            self._work("responder", Layout.ANSWERS, common, line, respond, costs, become)
            self._look_on(answering=True)
        except BaseException:
            self.close()
            raise

    def _floor(self, route: Route, program: str) -> Floor:
        """Made before any line is taken: building it takes seconds."""
        from edgereply_agent.floor import check_reach, obtain

        check_reach(route)
        floor = obtain(program)
        self.in_effect["floor"] = floor.in_effect
        return floor


def _becoming(floor: Floor, duty: Duty) -> Callable[[Ring], Become]:
    """What turns a worker into the floor program, once its ring is there."""

    def with_ring(ring: Ring) -> Become:
        def become(realtime: Json, ready: str, pipes: Sequence[int], parent: int) -> None:
            floor.become(duty, ring, bool(realtime["lock_memory"]), ready, pipes, parent)

        return become

    return with_ring
