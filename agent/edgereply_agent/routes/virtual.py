"""Route `virtual`: software wires instead of lines, for trying everything without hardware.

The chip is the path of a SOCK_SEQPACKET socket on which a virtual pulse source listens, of a stream socket on systems
that have no such packets there. It sends one packet an input
edge, laid out like the kernel's line event; it gets one packet an output change. Both directions of one path share
one connection.

An input edge is stamped just before it is sent, an output change (`<qII`: monotonic ns, line, level) too: that is when
the wire changed. `set` is taken after the write has returned, so `outside` comes out slightly negative here.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import struct
import time
from functools import partial

from edgereply_agent.errors import RouteError
from edgereply_agent.settings import LineSpec

from .base import InputLine, OutputLine, Route, poller, set_nonblocking

EVENT = struct.Struct("<QI4xII24x")
CHANGE = struct.Struct("<qII")
ROOM_MS = 2000


class VirtualRoute(Route):
    """Wires by path, connected when the first line of a path is asked for."""

    name = "virtual"
    stamps_edges = True
    counts_lost = True

    def __init__(self) -> None:
        self._wires: dict[str, socket.socket] = {}

    def input(self, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """See `Route.input`; the far end decides which edges it sends."""
        return VirtualInput(spec, self._connect(spec))

    def output(self, spec: LineSpec) -> OutputLine:
        """See `Route.output`; wires start low."""
        return VirtualOutput(spec, self._connect(spec))

    def close(self) -> None:
        """Close all connections."""
        for wires in self._wires.values():
            wires.close()
        self._wires.clear()

    def _connect(self, spec: LineSpec) -> socket.socket:
        path = spec.chip
        if path not in self._wires:
            if not path:
                raise RouteError("bad-setting", "the virtual route needs a socket's path as chip", spec.role)
            try:
                wires = _connected(path)
            except OSError as error:
                raise RouteError(
                    "no-chip", f"cannot connect to the virtual wires: {error.strerror or error}", path,
                    "start the virtual pulse source first, on this machine",
                ) from error  # fmt: skip
            self._wires[path] = wires
        return self._wires[path]


class VirtualInput(InputLine):
    """Events off the wires."""

    def __init__(self, spec: LineSpec, wires: socket.socket) -> None:
        self.spec = spec
        self.fd = fd = wires.fileno()
        self.read = partial(_read_whole, fd) if wires.type == socket.SOCK_STREAM else partial(os.read, fd, EVENT.size)
        self.ready = poller(fd, select.POLLIN)
        self.expected = [(fd, select.POLLIN)]
        self.decode = EVENT.unpack
        self.in_effect = {"chip": spec.chip, "line": 0, "event_clock": "monotonic", "event_buffer": None}

    def level(self) -> int:
        """Not to be had.

        Raises:
            RouteError: always: the wires carry edges, not levels.
        """
        raise _no_level(self.spec)

    def interrupt(self) -> None:
        """See `InputLine.interrupt`."""
        set_nonblocking(self.fd)

    def close(self) -> None:
        """Nothing: the route owns the connection."""


class VirtualOutput(OutputLine):
    """Changes onto the wires, stamped just before they are sent: that is when the wire changes."""

    def __init__(self, spec: LineSpec, wires: socket.socket) -> None:
        self.spec = spec
        self.fd = fd = wires.fileno()
        write = _write_whole if wires.type == socket.SOCK_STREAM else os.write
        pack, now = CHANGE.pack, time.monotonic_ns
        self.high = lambda: write(fd, pack(now(), 0, 1))

        def low() -> None:
            try:
                write(fd, pack(now(), 0, 0))
            except BlockingIOError:
                # `interrupt` has made the shared connection non-blocking, and its buffer is full: a real line never is.
                _await_room(fd)
                write(fd, pack(now(), 0, 0))

        self.low = low
        self.in_effect = {"chip": spec.chip, "line": 0}

    def level(self) -> int:
        """Not to be had.

        Raises:
            RouteError: always.
        """
        raise _no_level(self.spec)

    def close(self) -> None:
        """Nothing: the route owns the connection, and its end is the end of the wire."""


def _await_room(fd: int) -> None:
    _await(fd, select.POLLOUT)


def _await(fd: int, what: int) -> None:
    poll = select.poll()
    poll.register(fd, what)
    poll.poll(ROOM_MS)


def _connected(path: str) -> socket.socket:
    """A connection of packets, or of a stream where this system or the far end has no such packets."""
    wires = None
    try:
        wires = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        wires.connect(path)
        return wires
    except (AttributeError, OSError) as error:
        if wires is not None:
            wires.close()
            if getattr(error, "errno", None) != errno.EPROTOTYPE:
                raise
    wires = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        wires.connect(path)
    except OSError:
        wires.close()
        raise
    return wires


def _read_whole(fd: int) -> bytes:
    """One event off a stream, which may hand it over in pieces; b"" at its end."""
    data = os.read(fd, EVENT.size)
    while data and len(data) < EVENT.size:
        try:
            more = os.read(fd, EVENT.size - len(data))
        except BlockingIOError:
            _await(fd, select.POLLIN)
            continue
        if not more:
            return b""
        data += more
    return data


def _write_whole(fd: int, data: bytes) -> int:
    """One change onto a stream, which may take it in pieces; what does not begin to go raises as `os.write` does."""
    done = os.write(fd, data)
    while done < len(data):
        try:
            done += os.write(fd, data[done:])
        except BlockingIOError:
            _await(fd, select.POLLOUT)
    return done


def _no_level(spec: LineSpec) -> RouteError:
    return RouteError(
        "bad-setting", "virtual wires carry edges, their level cannot be read", str(spec),
        "use a real line, or look at the edges with the task respond",
    )  # fmt: skip
