"""Software wires between a virtual pulse source and the agent's virtual route.

A Unix socket of packets in a private directory, or of a stream where the system has no packets there: all are of one
length, so that they can be told apart either way. Towards the board, one packet an input edge, laid
out like the kernel's own line event; from the board, one packet an output change, stamped on the
computer's monotonic clock just before it was sent.
"""

from __future__ import annotations

import contextlib
import shutil
import socket
import tempfile
from collections import deque
from pathlib import Path
from struct import Struct

from edgereply.system.posix_parts import local_socket

EVENT = Struct("<QIIII24x")
CHANGE = Struct("<qII")
RISING = 1
MOST_WAITING = 4096
_MOST_BOARDS = 8


class _Board:
    """One connected board: the level it drives, the number of the last edge sent to it, as a kernel counts a line's
    events from its request on, edges its socket had no room for yet, and the part of a change that has come."""

    def __init__(self) -> None:
        self.level = 0
        self.sequence = 0
        self.waiting: deque[bytes] = deque()
        self.begun = b""


class Wires:
    """The source's end of the wires; boards connect and leave as they please.

    Attributes:
        path: of the socket.
        level: of the response line: high when any board drives it high.
    """

    def __init__(self) -> None:
        self._listener = local_socket()
        self._directory = Path(tempfile.mkdtemp(prefix="edgereply-"))
        self.path = str(self._directory / "wires")
        self.level = 0
        self._stream = self._listener.type == socket.SOCK_STREAM
        self._listener.bind(self.path)
        self._listener.listen(_MOST_BOARDS)
        self._listener.setblocking(False)
        self._boards: dict[socket.socket, _Board] = {}

    def fileno(self) -> int:
        """Returns: descriptor that is readable when a board wants to connect."""
        return self._listener.fileno()

    def boards(self) -> list[socket.socket]:
        """Returns: the connected boards' sockets."""
        return list(self._boards)

    def accept(self) -> None:
        """Let waiting boards connect."""
        with contextlib.suppress(BlockingIOError):
            while len(self._boards) < _MOST_BOARDS:
                board, _ = self._listener.accept()
                board.setblocking(False)
                self._boards[board] = _Board()

    def emit(self, at_ns: int) -> None:
        """Send one rising edge to every board.

        Edges wait, with their stamps, for a board that the computer does not let read; one that
        lets too many wait loses the next, and sees it from the sequence number.

        Args:
            at_ns: stamp on the monotonic clock, taken just before.
        """
        for wire, board in self._boards.items():
            board.sequence = number = board.sequence % 0xFFFF_FFFF + 1
            if len(board.waiting) < MOST_WAITING:
                board.waiting.append(EVENT.pack(at_ns, RISING, 0, number, number))
            _send(wire, board.waiting)

    def changes(self, now_ns: int) -> list[tuple[int, int]]:
        """Read what the boards did, and send on what waits for them.

        Args:
            now_ns: stamp for a line let go by a board that left.

        Returns:
            (monotonic ns, level) of each change of the response line.
        """
        found: list[tuple[int, int]] = []
        for wire, board in list(self._boards.items()):
            try:
                while data := wire.recv(CHANGE.size - len(board.begun)):
                    board.begun += data
                    if len(board.begun) < CHANGE.size:
                        if self._stream:
                            continue
                        break
                    at_ns, _line, level = CHANGE.unpack(board.begun)
                    board.begun = b""
                    board.level = int(level != 0)
                    self._combine(at_ns, found)
            except BlockingIOError:
                if board.waiting:
                    _send(wire, board.waiting)
                continue
            except ConnectionResetError:
                pass
            self._drop(wire)
            self._combine(now_ns, found)
        return found

    def close(self) -> None:
        """Disconnect all boards and remove the directory."""
        for wire in list(self._boards):
            self._drop(wire)
        self._listener.close()
        shutil.rmtree(self._directory, ignore_errors=True)

    def _drop(self, wire: socket.socket) -> None:
        del self._boards[wire]
        wire.close()

    def _combine(self, at_ns: int, found: list[tuple[int, int]]) -> None:
        level = int(any(board.level for board in self._boards.values()))
        if level != self.level:
            self.level = level
            found.append((at_ns, level))


def _send(wire: socket.socket, waiting: deque[bytes]) -> None:
    # A board that has gone is noticed, and its level dropped, when its end of file is read.
    with contextlib.suppress(BlockingIOError, BrokenPipeError, ConnectionResetError):
        while waiting:
            sent = wire.send(waiting[0])
            rest = waiting.popleft()[sent:]
            if rest:  # a stream took a part
                waiting.appendleft(rest)


def remove_leftover(path: str) -> None:
    """Remove the wires of a peer that was killed before it could do so itself."""
    directory = Path(path).parent
    if directory.name.startswith("edgereply-") and directory.parent == Path(tempfile.gettempdir()):
        with contextlib.suppress(OSError):
            Path(path).unlink()
        with contextlib.suppress(OSError):
            directory.rmdir()
