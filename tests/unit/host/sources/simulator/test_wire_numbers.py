"""Edges are numbered for each board from its own first one, as a kernel numbers a line's events from its request on."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest

from edgereply.sources.simulator.wires import EVENT, Wires


@pytest.fixture
def wires() -> Iterator[Wires]:
    wires = Wires()
    yield wires
    wires.close()


def connected(wires: Wires) -> socket.socket:
    board = socket.socket(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    board.connect(wires.path)
    board.settimeout(5)
    wires.accept()
    return board


def number(board: socket.socket) -> int:
    return int(EVENT.unpack(board.recv(EVENT.size))[3])


def test_a_board_that_comes_later_starts_at_one(wires: Wires) -> None:
    """Otherwise the first edge of every later block of a series would look like a gap."""
    with connected(wires) as first:
        for expected in (1, 2, 3):
            wires.emit(at_ns=10 * expected)
            assert number(first) == expected
        with connected(wires) as second:
            wires.emit(at_ns=40)
            assert (number(first), number(second)) == (4, 1)
