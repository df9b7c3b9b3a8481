"""What every test may rely on."""

from __future__ import annotations

import signal


def pytest_configure() -> None:
    """A suite started in the background of a script ignores Ctrl-C, and so would every program a test interrupts."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_runtest_setup() -> None:
    """A broken pipe is an error to be handled, as Python has it; the package vcdvcd, once imported, lets it kill."""
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
