"""Sits on software wires, passes packets on and notes every level the board drives, until the board lets go.

Usage: wire_tap.py SOURCE-SOCKET OWN-SOCKET LEVELS-FILE; stdin closes when the source has gone. A row of the file is
`<qII`: monotonic ns, connection, level; 2 stands for the end of the connection.
"""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import sys
import threading

ROW = struct.Struct("<qII")
LET_GO = 2
PACKET = 4096


class Tap:
    """Takes boards' connections and opens one to the source for each.

    Args:
        inner: the source's socket; its name is removed, so that the directory holds one socket as usual.
        path: the socket that boards connect to.
        levels: file that rows are appended to.
    """

    def __init__(self, inner: str, path: str, levels: str) -> None:
        self._inner = os.open(inner, os.O_PATH)
        os.unlink(inner)  # noqa: PTH108
        self._levels = os.open(levels, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self._listener.bind(path)
        self._listener.listen()
        self._threads: list[threading.Thread] = []

    def serve(self) -> None:
        """Take connections for ever."""
        while True:
            board, _ = self._listener.accept()
            number = os.getpid() * 100 + len(self._threads)
            thread = threading.Thread(target=self._pass_on, args=(board, number), daemon=True)
            self._threads.append(thread)
            thread.start()

    def await_boards(self) -> None:
        """Wait until every board has let go."""
        for thread in self._threads:
            thread.join()

    def _pass_on(self, board: socket.socket, number: int) -> None:
        source = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        try:
            source.connect(f"/proc/self/fd/{self._inner}")
        except OSError:
            board.close()
            return
        threading.Thread(target=_to_board, args=(source, board), daemon=True).start()
        at_ns = 0
        while packet := _receive(board):
            at_ns, _, level = ROW.unpack(packet)
            os.write(self._levels, ROW.pack(at_ns, number, level))
            _send(source, packet)
        os.write(self._levels, ROW.pack(at_ns, number, LET_GO))
        source.close()


def _to_board(source: socket.socket, board: socket.socket) -> None:
    while packet := _receive(source):
        _send(board, packet)
    with contextlib.suppress(OSError):
        board.shutdown(socket.SHUT_WR)


def _receive(wire: socket.socket) -> bytes:
    try:
        return wire.recv(PACKET)
    except OSError:
        return b""


def _send(wire: socket.socket, packet: bytes) -> None:
    with contextlib.suppress(OSError):
        wire.send(packet)


def main() -> None:
    """Tap one source's wires."""
    tap = Tap(*sys.argv[1:4])
    threading.Thread(target=tap.serve, daemon=True).start()
    sys.stdout.write("r")
    sys.stdout.flush()
    sys.stdin.buffer.read()
    tap.await_boards()


if __name__ == "__main__":
    main()
