"""A command run in this process, by the same outermost layer as the program."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable

import pytest

from edgereply.__main__ import main
from edgereply.system.interrupts import SIGNALS

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Command:
    """Run a command; its exit code, stdout and stderr."""
    before = {number: signal.getsignal(number) for number in SIGNALS}

    def run(*words: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["edgereply", *words])
        try:
            code = main()
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
        said = capsys.readouterr()
        return code, said.out, said.err

    return run
