"""The least that talks to a pulse source, for tests of the source itself; independent of the host's own driver."""

from __future__ import annotations

import struct
import time
from types import TracebackType

import numpy as np
import numpy.typing as npt
import serial

STIMULUS, RISE, FALL, FALL_LOST, MARK, LOST = range(1, 7)
Ints = npt.NDArray[np.int64]


class SourceClient:
    """A pulse source on a serial port; every wait has a deadline."""

    def __init__(self, port: str, timeout_s: float = 10.0) -> None:
        self._port = serial.Serial(port, 500_000, timeout=timeout_s)
        self._port.write(b"\x03\n*CLS\n*RST\n")
        self.ask("*OPC?")

    def __enter__(self) -> SourceClient:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._port.close()

    def send(self, message: str | bytes) -> None:
        """Sends bytes as they are, or a line of text with its end."""
        self._port.write(message if isinstance(message, bytes) else message.encode() + b"\n")

    def line(self) -> str:
        """Returns: one line of answer. Raises: TimeoutError."""
        answer = self._port.readline()
        if not answer.endswith(b"\n"):
            raise TimeoutError(f"the pulse source sent {answer!r} and then nothing")
        return answer[:-1].decode("ascii")

    def ask(self, query: str) -> str:
        """Returns: the answer to a query."""
        self.send(query)
        return self.line()

    def errors(self) -> list[int]:
        """Returns: numbers of all queued errors, oldest first."""
        found: list[int] = []
        while (number := int(self.ask("SYST:ERR?").split(",")[0])) != 0:
            found.append(number)
        return found

    def _exactly(self, count: int) -> bytes:
        data = self._port.read(count)
        if len(data) != count:
            raise TimeoutError(f"the pulse source sent {data!r}, {count} bytes expected")
        return data

    def block(self) -> tuple[bytes, bytes]:
        """Returns: one definite-length block's content and the byte after it."""
        head = self._exactly(2)
        if head[:1] != b"#":
            raise ValueError(f"a block starts with {head!r}")
        length = int(self._exactly(int(head[1:])))
        return self._exactly(length), self._exactly(1)

    def rest_of_run(self, timeout_s: float) -> list[bytes]:
        """Returns: the blocks up to the empty one that ends a run, without it."""
        deadline = time.monotonic() + timeout_s
        blocks: list[bytes] = []
        while time.monotonic() < deadline:
            content, after = self.block()
            if not content:
                assert after == b"\n"
                return blocks
            assert after == b","
            blocks.append(content)
        raise TimeoutError(f"the run had not ended after {timeout_s} s")

    def read_run(self, timeout_s: float) -> tuple[Ints, Ints]:
        """Runs what is set up; returns: kinds and unwrapped ticks, as `records`."""
        self.send("READ?")
        return records(b"".join(self.rest_of_run(timeout_s)))


def records(raw: bytes) -> tuple[Ints, Ints]:
    """Takes records apart.

    Args:
        raw: whole records of five bytes.

    Returns: kinds and ticks, each of shape (n,); ticks continue past 2**32 (marks are less than 2 s apart). Ticks of
        "records lost" are counts, and are left alone.
    """
    rows = list(struct.iter_unpack("<BI", raw))
    kinds = np.array([row[0] for row in rows], np.int64)
    values = np.array([row[1] for row in rows], np.int64)
    timed = kinds != LOST
    ticks = values[timed]
    steps = np.diff(ticks, prepend=ticks[:1])
    values[timed] = ticks[:1].sum() + np.cumsum((steps + 2**31) % 2**32 - 2**31)
    return kinds, values
