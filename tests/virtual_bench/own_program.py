"""A program of a user's own that answers on the board: a plain script on the gpiod package."""

from __future__ import annotations

import contextlib
import select
import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from tests.virtual_board import VirtualBoard
from tests.virtual_board.responding import Stamps

PLAIN = Path(__file__).parent / "guest" / "plain_gpiod.py"
WAIT_S = 120.0


class PlainScript:
    """The script, waiting for edges."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        self._process = process

    def stamps(self) -> Stamps:
        """What it stamped itself, once it has answered as often as it was told to."""
        out, _ = self._process.communicate(timeout=WAIT_S)
        rows = np.array([line.split() for line in out.decode().splitlines()], np.int64).reshape(-1, 4)
        return Stamps(*(rows[:, column].copy() for column in range(4)))


@contextlib.contextmanager
def plain_script(board: VirtualBoard, count: int) -> Iterator[PlainScript]:
    """Answers edges at EYE_IN with pulses at REJECT_OUT; ends after so many, or when the block is left."""
    board.run("cat > /tmp/plain_gpiod.py", 30, stdin=PLAIN.read_text())
    words = f"echo $$ && exec python3 /tmp/plain_gpiod.py EYE_IN REJECT_OUT {count} {int(WAIT_S)}"
    with subprocess.Popen(board.ssh_command(words), stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        pid = int(process.stdout.readline())
        try:
            assert select.select([process.stderr], [], [], WAIT_S)[0]
            assert process.stderr.readline() == b"ready\n"
            yield PlainScript(process)
        finally:
            board.run(f"kill {pid} 2>/dev/null || true", 30)
            process.kill()
