"""The virtual source as an instrument of its own, in a process that a test can reach by its serial port."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def simulator() -> Iterator[tuple[str, str]]:
    """Start it. Yields its serial port and its wires."""
    command = [sys.executable, "-m", "edgereply.sources.simulator"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        found = json.loads(process.stdout.readline())
        yield found["port"], found["wires"]
        process.stdin.close()
        process.wait(20)
