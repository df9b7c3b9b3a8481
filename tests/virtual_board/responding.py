"""The responder in C, run on the board for the length of a block."""

from __future__ import annotations

import contextlib
import json
import select
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tests.virtual_board.board import VirtualBoard
from tests.virtual_board.errors import BoardError

START_S = 30.0
LATE_S = 5.0


@dataclass(slots=True)
class Stamps:
    """The responder's own stamps on the board's monotonic clock in ns; each of shape (n,), one row per answer."""

    edge: npt.NDArray[np.int64]
    wake: npt.NDArray[np.int64]
    set: npt.NDArray[np.int64]
    clear: npt.NDArray[np.int64]


class Responder:
    """A running responder; not thread-safe."""

    def __init__(self, process: subprocess.Popen[bytes], timeout_s: float) -> None:
        self._process = process
        self._timeout_s = timeout_s

    def stamps(self) -> Stamps:
        """Waits until the responder has answered as often as it was told to, or its time is up.

        Raises: BoardError: it failed, or did not end.
        """
        try:
            out, err = self._process.communicate(timeout=self._timeout_s + LATE_S)
        except subprocess.TimeoutExpired as error:
            raise BoardError("the responder did not end by its deadline") from error
        if self._process.returncode != 0:
            raise BoardError(f"the responder failed: {err.decode(errors='replace')}")
        table = np.array([row.split() for row in out.decode().splitlines()], np.int64).reshape(-1, 4)
        return Stamps(*(table[:, column].copy() for column in range(4)))


@contextlib.contextmanager
def responding(board: VirtualBoard, count: int, timeout_s: float, *options: str) -> Iterator[Responder]:
    """Answers edges at EYE_IN with pulses at REJECT_OUT.

    Args:
        board: where.
        count: answers after which the responder ends.
        timeout_s: when it ends in any case.
        options: "spin"; "fifo" and a priority.

    Yields: the responder, ready to answer.

    Raises: BoardError: it did not start.
    """
    words = [
        "/opt/edgereply/responder",
        chip_path(board),
        "EYE_IN",
        "REJECT_OUT",
        str(count),
        str(int(timeout_s * 1000)),
    ]
    command = board.ssh_command(" ".join([*words, *options]))
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        try:
            assert process.stderr is not None
            said = process.stderr.readline() if select.select([process.stderr], [], [], START_S)[0] else b"nothing"
            if said != b"ready\n":
                raise BoardError(f"the responder said {said!r} instead of being ready")
            yield Responder(process, timeout_s)
        finally:
            process.kill()


def chip_path(board: VirtualBoard) -> str:
    """Returns: the device file of the chip that the board's wires are on."""
    chips = json.loads(board.run("python3 /opt/edgereply/gpio_check.py list", 30))
    (path,) = (str(chip["path"]) for chip in chips if chip["label"] == board.chip_label)
    return path
