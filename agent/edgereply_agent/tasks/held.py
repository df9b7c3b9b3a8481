"""Lines and routes that a task holds: taken, told, set low and given back."""

from __future__ import annotations

import contextlib
import os
from typing import Sequence

from edgereply_agent.counters import line_interrupts
from edgereply_agent.errors import RouteError
from edgereply_agent.routes import registry
from edgereply_agent.routes.base import InputLine, OutputLine, Route
from edgereply_agent.settings import LineSpec
from edgereply_protocol import Json


class HeldLines:
    """None at first.

    Args:
        in_effect: of the task; how each line took effect is added under `lines`, by its role.
        warnings: of the task; those of the lines are added.

    Attributes:
        inputs: in the order they were taken.
        outputs: the same.
    """

    def __init__(self, in_effect: Json, warnings: list[str]) -> None:
        self.inputs: list[InputLine] = []
        self.outputs: list[OutputLine] = []
        self._routes: dict[str, Route] = {}
        self._in_effect, self._warnings = in_effect, warnings

    def route(self, name: str) -> Route:
        """The route of that name, loaded once.

        Raises:
            AgentError: the board does not have it.
        """
        if name not in self._routes:
            self._routes[name] = registry.load(name)
        return self._routes[name]

    def input(self, route: Route, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """Take an input.

        Raises:
            AgentError: it cannot be had.
        """
        before = line_interrupts()
        try:
            line = route.input(spec, edges, event_buffer)
        except RouteError as error:
            raise self._by_us(error, route, spec) from error
        self.inputs.append(line)
        # Which of the kernel's counters of interrupts is this line's: the one that its request brought.
        new = [name for name in line_interrupts() if name not in before]
        self._say(spec, {**line.in_effect, "interrupt": new[0]} if len(new) == 1 else line.in_effect, line.warnings)
        self._in_effect["event_buffer"] = line.in_effect.get("event_buffer")
        return line

    def output(self, route: Route, spec: LineSpec) -> OutputLine:
        """Take an output, low.

        Raises:
            AgentError: it cannot be had.
        """
        try:
            line = route.output(spec)
        except RouteError as error:
            raise self._by_us(error, route, spec) from error
        self.outputs.append(line)
        self._say(spec, line.in_effect, line.warnings)
        return line

    def low(self) -> None:
        """Set all outputs low, as far as they let themselves be set."""
        for output in self.outputs:
            with contextlib.suppress(OSError):
                output.low()

    def close(self) -> None:
        """Give everything back."""
        held: list[InputLine | OutputLine | Route] = [*self.inputs, *self.outputs, *self._routes.values()]
        for holder in held:
            holder.close()
        self.inputs, self.outputs, self._routes = [], [], {}

    def _by_us(self, error: RouteError, route: Route, spec: LineSpec) -> RouteError:
        """The error, or a better one where the line is taken because the same task named it before."""
        chips = getattr(route, "chips", None)
        if error.code != "busy-line" or chips is None:
            return error
        try:
            path, _, line = chips.find(spec)
        except RouteError:
            return error
        lines: list[InputLine | OutputLine] = [*self.inputs, *self.outputs]
        for held in lines:
            place = os.path.basename(str(held.in_effect.get("chip"))), held.in_effect.get("line")
            if place == (os.path.basename(path), line.offset):
                return RouteError(
                    "bad-setting", f"{held.spec.role} and {spec.role} are one line, {place[0]} offset {line.offset}",
                    str(spec), "name two lines, each with a wire of its own",
                )  # fmt: skip
        return error

    def _say(self, spec: LineSpec, in_effect: Json, warnings: Sequence[str]) -> None:
        self._warnings += warnings
        self._in_effect.setdefault("lines", {})[spec.role] = {
            "chip": spec.chip, "line": spec.line, "active_low": spec.active_low, "bias": spec.bias, **in_effect
        }  # fmt: skip
