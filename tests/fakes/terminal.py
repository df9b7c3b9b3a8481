"""A person at a terminal of 80 columns and 24 rows: waits for a question, types the answer, keeps what was seen."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import termios
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Self

COLUMNS, ROWS = 80, 24
PATIENCE_S = 60.0
_ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """Runs a command on a pseudo-terminal.

    Args:
        command: to run.
        folder: to run it in.

    Attributes:
        seen: everything that was written on it, so far.
    """

    def __init__(self, command: Sequence[str], folder: Path, **more_env: str) -> None:
        self._master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        env = {**os.environ, "TERM": "xterm", "COLUMNS": str(COLUMNS), "LINES": str(ROWS), **more_env}
        self._child = subprocess.Popen(
            command, cwd=folder, env=env, stdin=slave, stdout=slave, stderr=slave, start_new_session=True
        )
        os.close(slave)
        self.seen = ""
        self._asked = 0

    def answer(self, question: str, text: str) -> str:
        """Wait for a question and type a line.

        Returns:
            What was written since the last answer, the question with it.

        Raises:
            TimeoutError: it was not asked.
        """
        self.until(question)
        screen, self._asked = self.seen[self._asked :], len(self.seen)
        os.write(self._master, f"{text}\n".encode())
        return screen

    def until(self, question: str) -> None:
        """Wait for a question and leave it unanswered.

        Raises:
            TimeoutError: it was not asked.
        """
        end = time.monotonic() + PATIENCE_S
        while not (new := _ESCAPES.sub("", self.seen[self._asked :])).rstrip(" ").endswith(":") or question not in new:
            self._read(end, question)

    def interrupt(self) -> None:
        """Type Ctrl-C, as the driver of a terminal hands it on."""
        os.killpg(self._child.pid, 2)

    def end(self) -> int:
        """Wait for the end of the command. Returns its exit code."""
        end = time.monotonic() + PATIENCE_S
        while self._child.poll() is None:
            self._read(end, "the end", slack_s=0.05)
        while self._more(0.0):
            pass
        return self._child.returncode

    def lines(self) -> list[str]:
        """What was seen, line by line."""
        return _ESCAPES.sub("", self.seen).replace("\r", "").split("\n")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._child.poll() is None:
            self._child.kill()
            self._child.wait()
        os.close(self._master)

    def _read(self, end: float, wanted: str, slack_s: float = 1.0) -> None:
        if not self._more(slack_s) and time.monotonic() > end:
            raise TimeoutError(f"waited for {wanted!r} and saw {self.seen[-600:]!r}")

    def _more(self, slack_s: float) -> bool:
        if not select.select([self._master], [], [], slack_s)[0]:
            return False
        try:
            data = os.read(self._master, 4096)
        except OSError:  # the other end is closed
            time.sleep(min(slack_s, 0.02))
            return False
        self.seen += data.decode("utf-8", "replace")
        return bool(data)
