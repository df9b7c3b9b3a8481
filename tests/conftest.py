"""What every test may rely on."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from hypothesis import settings

# An example that takes long on a busy computer is no fault.
settings.register_profile("edgereply", deadline=None)
settings.load_profile("edgereply")

HERE = Path(__file__).parent


# Boards that take as long as all the rest of the suite together: run by themselves, with EDGEREPLY_MORE_BOARDS=1.
MORE_BOARDS = ("test_processors.py", "test_real_driver.py", "test_responders.py", "test_small_systems.py")
WITH_MORE_BOARDS = os.environ.get("EDGEREPLY_MORE_BOARDS") == "1"


def pytest_report_header() -> str:
    """What this run leaves out, where everybody sees it."""
    left_out = ", ".join(name.removeprefix("test_").removesuffix(".py").replace("_", " ") for name in MORE_BOARDS)
    return (
        f"more boards ({left_out}): {'with them' if WITH_MORE_BOARDS else 'not run, EDGEREPLY_MORE_BOARDS=1 runs them'}"
    )


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Whether a file is left out; None leaves it to others."""
    return True if collection_path.name in MORE_BOARDS and not WITH_MORE_BOARDS else None


def pytest_configure() -> None:
    """A suite started in the background of a script ignores Ctrl-C, and so would every program a test interrupts."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup() -> None:
    """A broken pipe is an error to be handled, as Python has it; the package vcdvcd, once imported, lets it kill."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


# Whoever comes first is begun first: booted kernels take longest, and are booted once where one process has them all.
TOGETHER = ("virtual_bench", "virtual_board", "mixed_series")


@pytest.hookimpl(tryfirst=True)  # xdist reads the groups in a hook of the same name
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """With `-n 2 --dist loadgroup`, a file stays in one process, and so do all tests on virtual boards."""

    def is_board(item: pytest.Item) -> bool:
        return item.path.relative_to(HERE).parts[0] in TOGETHER

    items.sort(key=lambda item: not is_board(item))
    for item in items:
        group = "virtual boards" if is_board(item) else item.path.relative_to(HERE).as_posix()
        item.add_marker(pytest.mark.xdist_group(group))
