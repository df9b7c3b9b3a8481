"""Running build steps: one line said before each, output kept and shown only when the step fails."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests.virtual_board.errors import BuildError

_STARTED = time.monotonic()


def say(line: str) -> None:
    """Prints one progress line on stderr, with the seconds since the start."""
    print(f"virtual board {time.monotonic() - _STARTED:6.1f} s  {line}", file=sys.stderr, flush=True)


def run(
    what: str,
    command: Sequence[str],
    *,
    timeout_s: float,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    stdin: bytes | None = None,
) -> bytes:
    """Runs one build step at low priority.

    Args:
        what: the step's name for error messages.
        command: program and arguments.
        timeout_s: the step's deadline.
        cwd: directory to run in.
        env: variables added to ours.
        stdin: bytes fed to the program.

    Returns: its standard output.

    Raises: BuildError: the program is missing, failed, or was too slow.
    """
    try:
        done = subprocess.run(
            ["nice", *command],
            cwd=cwd,
            env={**os.environ, "LC_ALL": "C.UTF-8", **(env or {})},
            input=stdin,
            stdin=subprocess.DEVNULL if stdin is None else None,
            capture_output=True,
            timeout=timeout_s,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise BuildError(f"{what}: not done after {timeout_s:.0f} s: {' '.join(command)}") from error
    if done.returncode != 0:
        tail = (done.stdout + done.stderr).decode(errors="replace")[-2000:]
        raise BuildError(f"{what} failed (exit {done.returncode}): {' '.join(command)}\n{tail}")
    return done.stdout
