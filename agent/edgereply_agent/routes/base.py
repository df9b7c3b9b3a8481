"""What a route is: it opens inputs and outputs, and hands out callables fit for a hot loop."""

from __future__ import annotations

import contextlib
import os
import select
from abc import ABC, abstractmethod
from functools import partial
from typing import Any, Callable, Sequence

from edgereply_agent.settings import LineSpec
from edgereply_protocol import Json

RISING, FALLING = 1, 2
EDGES = {"rising": (True, False), "falling": (False, True), "both": (True, True), "none": (False, False)}


class InputLine(ABC):
    """An input that was requested, with or without edge events. Not thread-safe; shared by forks.

    Attributes:
        spec: the line as the user named it.
        read: takes one event; sleeps when there is none, raises BlockingIOError once `interrupt` was called.
        ready: polls without sleeping; an empty list when there is no event, `expected` when there is one.
        decode: event → (kernel stamp in ns or NO_STAMP, RISING or FALLING, sequence number, the line's own).
        in_effect: what the request came to, for the report.
        warnings: sentences about the line the user should know.
        fd: descriptor that events are read from; -1 where there is none.
    """

    spec: LineSpec
    read: Callable[[], Any]
    ready: Callable[[], list[tuple[int, int]]]
    expected: list[tuple[int, int]]
    decode: Callable[[Any], tuple[int, int, int, int]]
    in_effect: Json
    warnings: Sequence[str] = ()
    fd: int = -1

    @abstractmethod
    def level(self) -> int:
        """Present logical level, 0 or 1.

        Raises:
            RouteError: the line has no level to read, or is gone.
        """

    @abstractmethod
    def interrupt(self) -> None:
        """Make every `read`, also one that sleeps in another process, give up once a signal wakes it."""

    @abstractmethod
    def close(self) -> None:
        """Release the line."""

    def flush(self) -> int:
        """Throw away events that wait already.

        Returns:
            Sequence number of the last of them, 0 when there was none.
        """
        last = 0
        while self.ready() == self.expected:
            event = self.read()
            if not event:
                break
            last = self.decode(event)[2]
        return last


class OutputLine(ABC):
    """An output that was requested low. Not thread-safe; shared by forks.

    Attributes:
        high, low: set the level, callable from a hot loop. They raise OSError when the line is gone.
        fd: descriptor that the level is set by; -1 where there is none.
    """

    spec: LineSpec
    high: Callable[[], Any]
    low: Callable[[], Any]
    in_effect: Json
    warnings: Sequence[str] = ()
    fd: int = -1

    @abstractmethod
    def level(self) -> int:
        """Present logical level, 0 or 1, as the chip reads it back.

        Raises:
            RouteError: the line has no level to read, or is gone.
        """

    @abstractmethod
    def close(self) -> None:
        """Release the line; set it low before."""


class Route(ABC):
    """One way to reach lines.

    Attributes:
        name: as in the settings.
        stamps_edges: the kernel stamps edges.
        counts_lost: sequence numbers reveal lost edges.
        remedy: what helps where `lacks` says something.
    """

    name: str
    stamps_edges: bool
    counts_lost: bool
    remedy: str = ""

    @staticmethod
    def lacks() -> str:
        """What it needs and this board does not have, in words; "" where nothing is missing. Takes no line."""
        return ""

    @abstractmethod
    def input(self, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """Request an input.

        Args:
            spec: which line.
            edges: "rising", "falling", "both" or "none".
            event_buffer: events the kernel shall keep.

        Raises:
            RouteError: it cannot be had; says why and what to do.
        """

    @abstractmethod
    def output(self, spec: LineSpec) -> OutputLine:
        """Request an output, low.

        Raises:
            RouteError: it cannot be had; says why and what to do.
        """

    def no_hardware_clock(self, spec: LineSpec) -> str:
        """Why edges of a line cannot be stamped by a clock in hardware; "" where the kernel grants it.

        Raises:
            RouteError: the line cannot be had at all.
        """
        return f"the route {self.name} cannot ask for them"

    def close(self) -> None:  # noqa: B027
        """Release what the route itself holds; lines are closed by their owner."""


def poller(fd: int, events: int) -> Callable[[], list[tuple[int, int]]]:
    """A poll of no duration on one descriptor, as a function without arguments."""
    poll = select.poll()
    poll.register(fd, events)
    return partial(poll.poll, 0)


def set_nonblocking(fd: int) -> None:
    """The flag belongs to the open file, so a reader in another process gives up as well."""
    with contextlib.suppress(OSError):
        os.set_blocking(fd, False)
