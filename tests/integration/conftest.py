from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.integration.commands import Workplace


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    """A place for commands; whatever a test does there, nothing may be left running or lying about."""
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()
