"""A board at the end of virtual wires that answers each edge at once."""

from __future__ import annotations

import socket
import struct
import threading
import time
from typing import Self

from edgereply.system.posix_parts import local_socket

CHANGE = struct.Struct("<qII")


class WiresResponder:
    """Answers in a thread of its own.

    Args:
        path: of the wires.

    Attributes:
        edges_ns: stamps of the edges received, in ns of the monotonic clock.
    """

    def __init__(self, path: str) -> None:
        self.edges_ns: list[int] = []
        self._socket = local_socket()
        self._socket.connect(path)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def drive(self, level: int) -> None:
        """Set the output line, unasked."""
        self._socket.send(CHANGE.pack(time.monotonic_ns(), 0, level))

    def close(self) -> None:
        """Leave the wires."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._thread.join(10)
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self) -> None:
        while packet := self._socket.recv(48):
            self.edges_ns.append(struct.unpack_from("<Q", packet)[0])
            try:
                self.drive(1)
                self.drive(0)
            except BrokenPipeError:
                return
