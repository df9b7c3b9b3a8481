"""Stands where ssh stands: starts the agent's interpreter and passes bytes, until told to misbehave.

SIGUSR1: slow, a few bytes at a time. SIGUSR2: bits change on the way. SIGXCPU: bytes get lost. Killed, both ends see
the end of the stream, as when the network goes.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time

SLOW, GARBLE, LOSE = signal.SIGUSR1, signal.SIGUSR2, signal.SIGXCPU
CHUNK = 1 << 16
REAL = "EDGEREPLY_CAMPAIGN_PYTHON"


class Tether:
    """Passes bytes from one descriptor to another."""

    def __init__(self) -> None:
        self.mood = 0
        for number in (SLOW, GARBLE, LOSE):
            signal.signal(number, self._take_mood)

    def _take_mood(self, number: int, _frame: object) -> None:
        self.mood = number

    def pass_on(self, source: int, target: int) -> None:
        """Pass bytes until the end; then close the far side."""
        try:
            while data := os.read(source, CHUNK):
                self._write(target, data)
        except OSError:
            pass
        os.close(target)

    def _write(self, target: int, data: bytes) -> None:
        while data:
            size = random.randint(1, 400) if self.mood == SLOW else len(data)
            piece, data = bytearray(data[:size]), data[size:]
            if self.mood == SLOW:
                time.sleep(random.uniform(0, 0.02))
            elif self.mood == GARBLE:
                piece[random.randrange(len(piece))] ^= 1 << random.randrange(8)
            elif self.mood == LOSE:
                at = random.randrange(len(piece) + 1)
                del piece[at : at + 3]
            while piece:
                del piece[: os.write(target, piece)]


def main() -> int:
    """Pass bytes between stdin, stdout and the agent. Returns its exit code."""
    tether = Tether()
    command = [os.environ[REAL], *sys.argv[1:]]
    child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True)
    assert child.stdin is not None
    assert child.stdout is not None
    down = threading.Thread(target=tether.pass_on, args=(0, os.dup(child.stdin.fileno())), daemon=True)
    child.stdin.close()
    down.start()
    tether.pass_on(child.stdout.fileno(), 1)
    return child.wait()


if __name__ == "__main__":
    sys.exit(main())
