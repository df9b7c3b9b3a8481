"""Route `gpiod`: the gpiod package, version 2, where the board has it."""

from __future__ import annotations

import os
import select
from functools import partial
from importlib import import_module
from importlib.util import find_spec
from typing import Any, Optional

from edgereply_agent.errors import RouteError, lost_line
from edgereply_agent.settings import LineSpec

from . import chardev_abi as abi
from .base import FALLING, RISING, InputLine, OutputLine, Route, poller, set_nonblocking
from .chardev import CONSUMER, ChardevRoute, request_error
from .chips import Chips

BIAS = {"as-is": "AS_IS", "pull-up": "PULL_UP", "pull-down": "PULL_DOWN", "disabled": "DISABLED"}
EDGE = {"none": "NONE", "rising": "RISING", "falling": "FALLING", "both": "BOTH"}


class GpiodRoute(Route):
    """Lines by the package; chips and lines are found as in the route chardev.

    Args:
        chips: where chips are found.
        package: stands for the module gpiod.

    Raises:
        RouteError: the package is of version 1, which is another interface.
    """

    name = "gpiod"
    stamps_edges = True
    counts_lost = True
    remedy = "install it on the board: python3 -m pip install 'gpiod>=2.1', or use the route chardev"

    @staticmethod
    def lacks() -> str:
        """See `Route.lacks`."""
        return ChardevRoute.lacks() if find_spec("gpiod") else "the Python package gpiod is not installed"

    def __init__(self, chips: Optional[Chips] = None, package: Any = None) -> None:
        self.chips = chips or Chips()
        self.gpiod: Any = package or import_module("gpiod")
        if not hasattr(self.gpiod, "request_lines") or not hasattr(self.gpiod, "LineSettings"):
            version = getattr(self.gpiod, "__version__", "1")
            raise RouteError(
                "no-route", f"the package gpiod is version {version}, needed is 2 or later", "gpiod",
                "python3 -m pip install 'gpiod>=2.1' on the board, or use the route chardev",
            )  # fmt: skip

    def input(self, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """See `Route.input`."""
        return GpiodInput(self, spec, edges, event_buffer)

    def output(self, spec: LineSpec) -> OutputLine:
        """See `Route.output`."""
        return GpiodOutput(self, spec)

    def request(self, spec: LineSpec, flags: int, event_buffer: int, **settings: Any) -> tuple[Any, str, abi.LineInfo]:
        """Request one line.

        Returns:
            The package's request, the chip's path, and the line as it was before.

        Raises:
            RouteError: it cannot be had.
        """
        path, _, line = self.chips.find(spec)
        names = self.gpiod.line
        config = self.gpiod.LineSettings(
            bias=getattr(names.Bias, BIAS[spec.bias]), active_low=spec.active_low, **settings
        )
        try:
            request = self.gpiod.request_lines(
                path, config={line.offset: config}, consumer=CONSUMER, event_buffer_size=event_buffer or None
            )
        except OSError as error:
            # The owner may have come after the line was found.
            raise request_error(error, spec, self.chips.find(spec)[2], flags) from error
        return request, path, line


class GpiodInput(InputLine):
    """One input request of the package."""

    def __init__(self, route: GpiodRoute, spec: LineSpec, edges: str, event_buffer: int) -> None:
        names = route.gpiod.line
        self.spec = spec
        self._request, path, line = route.request(
            spec, abi.EDGE[edges], event_buffer if edges != "none" else 0,
            direction=names.Direction.INPUT, edge_detection=getattr(names.Edge, EDGE[edges]),
        )  # fmt: skip
        self._offset, self._active = line.offset, names.Value.ACTIVE
        fd = self._request.fd
        self.warnings = route.chips.slow_warning(os.path.basename(path), spec)
        self.read = partial(self._request.read_edge_events, 1)
        self.ready = poller(fd, select.POLLIN)
        self.expected = [(fd, select.POLLIN)]
        rising = route.gpiod.EdgeEvent.Type.RISING_EDGE

        def decode(events: Any) -> tuple[int, int, int, int]:
            event = events[0]
            kind = RISING if event.event_type is rising else FALLING
            return event.timestamp_ns, kind, event.global_seqno, event.line_seqno

        self.decode = decode
        self.in_effect = {
            "chip": path, "line": line.offset, "name": line.name, "event_clock": "monotonic",
            "event_buffer": abi.granted_event_buffer(event_buffer),
        }  # fmt: skip

    def level(self) -> int:
        """See `InputLine.level`."""
        return _level(self._request, self._offset, self._active, self.spec)

    def interrupt(self) -> None:
        """See `InputLine.interrupt`."""
        if self._request is not None:
            set_nonblocking(self._request.fd)

    def close(self) -> None:
        """See `InputLine.close`."""
        if self._request is not None:
            self._request.release()
        self._request = None


class GpiodOutput(OutputLine):
    """One output request of the package."""

    def __init__(self, route: GpiodRoute, spec: LineSpec) -> None:
        names = route.gpiod.line
        self.spec = spec
        self._request, path, line = route.request(
            spec, 0, 0, direction=names.Direction.OUTPUT, output_value=names.Value.INACTIVE
        )
        self.warnings = route.chips.slow_warning(os.path.basename(path), spec)
        # The package's set_value makes such a dictionary each time and calls this.
        self.high = partial(self._request.set_values, {line.offset: names.Value.ACTIVE})
        self.low = partial(self._request.set_values, {line.offset: names.Value.INACTIVE})
        self._offset, self._active = line.offset, names.Value.ACTIVE
        self.in_effect = {"chip": path, "line": line.offset, "name": line.name}

    def level(self) -> int:
        """See `OutputLine.level`."""
        return _level(self._request, self._offset, self._active, self.spec)

    def close(self) -> None:
        """See `OutputLine.close`."""
        if self._request is not None:
            self._request.release()
        self._request = None


def _level(request: Any, offset: int, active: Any, spec: LineSpec) -> int:
    try:
        return int(request.get_value(offset) == active)
    except OSError as error:
        raise lost_line(error, str(spec)) from error
