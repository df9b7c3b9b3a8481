"""Task `stimulate`: the board is the pulse source; it drives the stimulus line and captures the response's edges."""

from __future__ import annotations

from dataclasses import asdict

from edgereply_agent.capturing import FALL, RISE, Capture
from edgereply_agent.emitting import EMITTED, HALF_LENGTH, emit
from edgereply_agent.errors import SettingError
from edgereply_agent.ring import Ring
from edgereply_agent.settings import Reader, read_common, read_plan
from edgereply_protocol import ROUTES, Json, Layout

from .base import Started, Task


class Stimulate(Task):
    """One process emits and captures; it ends by itself after the last stimulus.

    With a second line wired to the response and named `capture_fall`, each of its edges has a request of its own (see
    `capturing` for what one line cannot tell).
    """

    name = "stimulate"

    def __init__(self, settings: Json, private_fds: tuple[int, ...]) -> None:
        super().__init__(private_fds)
        reader = Reader(settings, "settings")
        common = read_common(reader, ("stimulus", "capture", "capture_fall"), tuple(ROUTES))
        plan = read_plan(reader.inner("plan"))
        try:
            route = self._common(common)
            if not route.stamps_edges:
                raise SettingError(f"the route {route.name} has no stamps to capture with", "route", "use chardev")
            self.in_effect["plan"] = asdict(plan)
            stimulus = self._held.output(route, common.lines["stimulus"])
            fall = common.lines.get("capture_fall")
            line = self._held.input(route, common.lines["capture"], "rising" if fall else "both", common.event_buffer)
            lines = [(line, RISE, fall is None)]
            if fall is not None:
                lines.append((self._held.input(route, fall, "falling", common.event_buffer), FALL, False))
            self._guard(common, spins=True)

            def work(ring: Ring, started: Started) -> None:
                level = line.level() if route.name != "virtual" else 0
                capture = Capture(lines, ring, level)
                started()
                try:
                    emit(plan, stimulus, capture, line, ring)
                finally:
                    stimulus.low()
                capture.take()
                capture.settle(1 << 62)

            self._work("emitter", Layout.EVENTS, common, None, work)
        except BaseException:
            self.close()
            raise

    def context(self) -> Json:
        """Adds how many stimuli were emitted and how well the moment of each is known."""
        found = super().context()
        for worker in self._workers:
            cells = worker.ring.cells
            found.update(emitted=cells[EMITTED], stimulus_uncertainty_ns=cells[HALF_LENGTH])
        return found
