"""The far end of virtual wires: listens, sends edges, records output changes."""

from __future__ import annotations

import select
import socket
import struct
import time
from pathlib import Path

EVENT = struct.Struct("<QIIII6I")
CHANGE = struct.Struct("<qII")


class WiresPeer:
    """A SOCK_SEQPACKET listener at `path`; every wait has a deadline."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listener.bind(str(path))
        self._listener.listen(1)
        self._listener.settimeout(10)
        self._wires: socket.socket | None = None
        self._seqno = 0

    @property
    def wires(self) -> socket.socket:
        """The connection, accepted when first needed."""
        if self._wires is None:
            self._wires, _ = self._listener.accept()
            self._wires.settimeout(10)
        return self._wires

    def edge(self, kind: int = 1, skip: int = 0) -> int:
        """Send an edge; `skip` sequence numbers are left out before it. Returns its stamp in ns."""
        self._seqno = (self._seqno + 1 + skip) & 0xFFFFFFFF
        at_ns = time.monotonic_ns()
        self.wires.send(EVENT.pack(at_ns, kind, 0, self._seqno, self._seqno, *([0] * 6)))
        return at_ns

    def start_at(self, seqno: int) -> None:
        """Make the next edge carry the number after `seqno`."""
        self._seqno = seqno

    def change(self, timeout_s: float = 10) -> tuple[int, int]:
        """Next output change: stamp in ns and level.

        Raises:
            ConnectionError: the agent's end is closed.
            TimeoutError: none came.
        """
        ready, _, _ = select.select([self.wires], [], [], timeout_s)
        if not ready:
            raise TimeoutError("no output change")
        try:
            data = self.wires.recv(64)
        except ConnectionResetError:
            # The agent left events unread; what it wrote before is still to be had.
            data = self.wires.recv(64)
        if not data:
            raise ConnectionError("the agent closed the wires")
        at_ns, line, level = CHANGE.unpack(data)
        assert line == 0
        return at_ns, level

    def changes_until_closed(self) -> list[int]:
        """Levels of all changes up to the end of the wires."""
        levels = []
        try:
            while True:
                levels.append(self.change()[1])
        except ConnectionError:
            return levels

    def close(self) -> None:
        """Close everything."""
        if self._wires is not None:
            self._wires.close()
        self._listener.close()
