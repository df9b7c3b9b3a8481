"""The virtual source's serial line: the far end of a pseudo-terminal."""

from __future__ import annotations

import contextlib
import os
import random

from edgereply.system.posix_parts import pseudo_terminal


class SerialLine:
    """A pseudo-terminal whose other end any program opens like a serial port.

    Args:
        garbage: probability, a write that may be garbled, that random bytes creep in.
        rng: draws them.

    Attributes:
        port: path to open.
        plugged: False once the line was pulled.
    """

    def __init__(self, garbage: float, rng: random.Random) -> None:
        # The near end stays open here too, so that the line outlives each program that opens it.
        self._master, self._slave, self.port = pseudo_terminal()
        self.plugged = True
        self._garbage = garbage
        self._rng = rng

    def fileno(self) -> int:
        """Returns: descriptor to wait on."""
        return self._master

    def read(self) -> bytes:
        """Returns: what has come in; empty when nothing."""
        try:
            return os.read(self._master, 4096)
        except BlockingIOError:
            return b""

    def write(self, pending: bytearray, garble: bool = False) -> None:
        """Send as much as the line takes and remove it from what is pending; garbage only where asked for."""
        if garble and self._rng.random() < self._garbage:
            at = self._rng.randrange(len(pending) + 1)
            pending[at:at] = self._rng.randbytes(self._rng.randint(1, 8))
        with contextlib.suppress(BlockingIOError):
            del pending[: os.write(self._master, pending)]

    def unplug(self) -> None:
        """Take the line away, as when the plug is pulled."""
        if self.plugged:
            self.plugged = False
            os.close(self._master)
            os.close(self._slave)
