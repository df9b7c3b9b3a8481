"""What every test may rely on."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from xdist.scheduler.loadscope import LoadScopeScheduling

# An example that takes long on a busy computer is no fault.
settings.register_profile("edgereply", deadline=None)
settings.load_profile("edgereply")

HERE = Path(__file__).parent


# Left out of a whole run and run by themselves, with the variable set to 1: boards that take as long as all the rest
# together, and half a gigabyte that is fetched for one test.
LEFT_OUT = {
    "EDGEREPLY_MORE_BOARDS": (
        "test_processors.py", "test_real_driver.py", "test_responders.py", "test_small_systems.py",
    ),
    "EDGEREPLY_SPARK": ("test_spark.py",),
}  # fmt: skip
WANTED = {variable for variable in LEFT_OUT if os.environ.get(variable) == "1"}


def pytest_report_header() -> list[str]:
    """What this run leaves out, where everybody sees it."""
    return [
        f"{', '.join(name.removeprefix('test_').removesuffix('.py').replace('_', ' ') for name in names)}: "
        f"{'with them' if variable in WANTED else f'not run, {variable}=1 runs them'}"
        for variable, names in LEFT_OUT.items()
    ]


def pytest_ignore_collect(collection_path: Path) -> bool | None:
    """Whether a file is left out; None leaves it to others."""
    out = any(collection_path.name in names for variable, names in LEFT_OUT.items() if variable not in WANTED)
    return True if out else None


def pytest_configure() -> None:
    """A suite started in the background of a script ignores Ctrl-C, and so would every program a test interrupts."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup() -> None:
    """A broken pipe is an error to be handled, as Python has it; the package vcdvcd, once imported, lets it kill."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)


# Whoever comes first is begun first: booted kernels take longest, and are booted once where one process has them all.
TOGETHER = ("virtual_bench", "virtual_board", "mixed_series")


def _is_board(path: str) -> bool:
    return path.startswith(tuple(f"tests/{folder}/" for folder in TOGETHER))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Boards first."""
    items.sort(key=lambda item: not _is_board(f"tests/{item.path.relative_to(HERE).as_posix()}"))


class _Groups(LoadScopeScheduling):  # type: ignore[misc]  # the package has no types
    """A file stays in one process, and so do all tests on virtual boards."""

    def _split_scope(self, nodeid: str) -> str:
        path = nodeid.partition("::")[0]
        return "virtual boards" if _is_board(path) else path


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> _Groups | None:
    """With `-n 2 --dist loadgroup`; xdist's own groups go by names of tests, fixed since pytest 9.2."""
    if config.getoption("dist") != "loadgroup":
        return None
    config.option.loadscopereorder = False  # in the order above, not the longest list first
    return _Groups(config, log)
