from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.integration.commands import Workplace
from tests.virtual_board.fixtures import _booted, icount_board, rt_icount_board

__all__ = ["_booted", "icount_board", "rt_icount_board"]


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    """A place for commands; nothing may be left running or lying about."""
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()
