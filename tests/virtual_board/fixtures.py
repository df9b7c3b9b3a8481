"""Fixtures for tests on a virtual board; import the ones you use into your conftest.py, with `_booted`.

One board for each kernel and way of keeping time is booted when first asked for and serves the whole session, also
where several folders import these fixtures. Each test gets it with the default wiring and an idle pulse source. Mark
such tests `virtual_board`.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

import pytest

from tests.virtual_board.board import DEFAULT_WIRES, VirtualBoard
from tests.virtual_board.build import KernelName
from tests.virtual_board.source_client import SourceClient

_BOARDS: dict[tuple[KernelName, bool], VirtualBoard] = {}

Boot = Callable[[KernelName, bool], VirtualBoard]


@pytest.fixture(scope="session")
def _booted() -> Iterator[Boot]:
    with contextlib.ExitStack() as stack:

        def boot(kernel: KernelName, icount: bool) -> VirtualBoard:
            board = _BOARDS.get((kernel, icount))
            if board is None or not board.running:
                board = stack.enter_context(VirtualBoard(kernel, icount=icount))
                _BOARDS[kernel, icount] = board
            board.wire(*DEFAULT_WIRES)
            with SourceClient(board.serial_port):
                pass
            return board

        yield boot


@pytest.fixture
def plain_board(_booted: Boot) -> VirtualBoard:
    """Debian's kernel; time follows the host's clock."""
    return _booted("plain", False)


@pytest.fixture
def rt_board(_booted: Boot) -> VirtualBoard:
    """Debian's PREEMPT_RT kernel; time follows the host's clock."""
    return _booted("rt", False)


@pytest.fixture
def icount_board(_booted: Boot) -> VirtualBoard:
    """Debian's kernel; time counts instructions, so times may be asserted."""
    return _booted("plain", True)


@pytest.fixture
def rt_icount_board(_booted: Boot) -> VirtualBoard:
    """Debian's PREEMPT_RT kernel; time counts instructions, so times may be asserted."""
    return _booted("rt", True)
