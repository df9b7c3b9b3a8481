"""What every test may rely on."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest
from hypothesis import settings

# An example that takes long on a busy computer is no fault.
settings.register_profile("edgereply", deadline=None)
settings.load_profile("edgereply")

HERE = Path(__file__).parent


def pytest_configure() -> None:
    """A suite started in the background of a script ignores Ctrl-C, and so would every program a test interrupts."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup() -> None:
    """A broken pipe is an error to be handled, as Python has it; the package vcdvcd, once imported, lets it kill."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


# Whoever comes first is begun first: booted kernels take longest, and are booted once where one process has them all.
TOGETHER = ("virtual_bench", "virtual_board", "mixed_series")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With `-n 2 --dist loadgroup`, a file stays in one process, and so do all tests on virtual boards."""

    def is_board(item: pytest.Item) -> bool:
        return item.path.relative_to(HERE).parts[0] in TOGETHER

    items.sort(key=lambda item: not is_board(item))
    for item in items:
        group = "virtual boards" if is_board(item) else item.path.relative_to(HERE).as_posix()
        item.add_marker(pytest.mark.xdist_group(group))
