"""An instrument on a TCP socket, as generators and serial servers offer one: `socket://host:5025`."""

from __future__ import annotations

import contextlib
import re
import select
import socket

from edgereply.errors import SettingError, SourceError
from edgereply.sources.ports.base import Port
from edgereply.system.deadline import Deadline

CONNECT_S = 5.0
WRITE_S = 2.0
_CHUNK = 4096
# A name, an IPv4 address, or an IPv6 address in brackets.
_ADDRESS = re.compile(r"(?:\[([0-9A-Fa-f:.%\w]+)\]|([^\s/:\[\]@?#]+)):(\d{1,5})")


def address(port: str) -> tuple[str, int]:
    """Host and TCP port of `socket://host:5025`, or of another such name with two slashes.

    Raises:
        SettingError: it is none.
    """
    scheme, _, rest = port.partition("://")
    match = _ADDRESS.fullmatch(rest.rstrip("/"))
    if not match or not 0 < int(match[3]) < 65_536:
        raise SettingError(
            f"{port!r} names no host and TCP port", where="source.port", remedy=f"write it like {scheme}://host:5025"
        )
    return match[1] or match[2], int(match[3])


def connection_error(port: str, error: OSError) -> SourceError:
    """What kept a connection from being made, and what to do about it."""
    host, number = address(port)
    if isinstance(error, socket.gaierror):
        what, remedy = f"there is no computer or instrument called {host}", "check the name, or give its address"
    elif isinstance(error, ConnectionRefusedError):
        what = f"{host} is there and refuses TCP port {number}"
        remedy = "switch the instrument's socket server on, close what else is connected to it, or correct the port"
    elif isinstance(error, TimeoutError):
        what, remedy = f"{host} did not answer for {CONNECT_S:g} s", "check power, cable, network and firewall"
    else:
        what, remedy = f"no connection to {host} ({error.strerror or error})", "check the network and the address"
    return SourceError(what, port, remedy)


class SocketPort(Port):
    """A TCP connection.

    Args:
        port: `socket://host:5025`.

    Raises:
        SettingError: another form.
        SourceError: there is no connection to be had.
    """

    def __init__(self, port: str) -> None:
        super().__init__()
        self.name = port
        try:
            self._socket = socket.create_connection(address(port), CONNECT_S)
        except OSError as error:
            raise connection_error(port, error) from error
        # A command is one short packet, and waiting for more to fill it would only delay it.
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._closed = False

    def send(self, data: bytes) -> None:
        """Send bytes; see `Port.send`."""
        try:
            self._socket.settimeout(WRITE_S)
            self._socket.sendall(data)
        except TimeoutError as error:
            raise SourceError(
                f"took no bytes for {WRITE_S:g} s", self.name, "check the instrument and its cable, then retry"
            ) from error
        except OSError as error:
            raise self._gone() from error

    def close(self) -> None:
        """Close the connection."""
        self._closed = True
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _receive(self, deadline: Deadline) -> bytes:
        try:
            if not select.select([self._socket], [], [], deadline.remaining_s())[0]:
                return b""
            data = self._socket.recv(_CHUNK)
        except (OSError, ValueError) as error:
            raise self._gone() from error
        if not data:
            raise self._gone()
        return data

    def _gone(self) -> SourceError:
        return SourceError(
            "the connection was closed at the other end",
            self.name,
            "look whether somebody else uses the instrument, check power and cable, then start again",
        )
