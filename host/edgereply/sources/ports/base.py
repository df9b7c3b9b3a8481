"""What every way to an instrument does: bytes out, bytes or a line in, each wait with a deadline."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import ClassVar

from edgereply.system.deadline import Deadline

_LINE_LIMIT = 512
_QUIET_S = 0.05
_CLEAR_S = 2.0


class Port(ABC):
    """An opened way to one instrument.

    Attributes:
        name: as the bench file has it.
        streams: bytes come whenever the instrument sends them. Otherwise it sends only as the answer to a query, and
            reading without one is a mistake that IEEE 488.2 instruments complain about.
    """

    name: str
    streams: ClassVar[bool] = True

    def __init__(self) -> None:
        self._pending = bytearray()

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            SourceError: they are not taken.
        """

    @abstractmethod
    def _receive(self, deadline: Deadline) -> bytes:
        """Wait for bytes; see `receive`."""

    @abstractmethod
    def close(self) -> None:
        """Let it go; may be called more than once."""

    def receive(self, deadline: Deadline) -> bytes:
        """Wait for bytes.

        Args:
            deadline: of the wait.

        Returns:
            What came, or nothing when the deadline passed.

        Raises:
            SourceError: the instrument is gone.
        """
        if self._pending:
            data = bytes(self._pending)
            self._pending.clear()
            return data
        return self._receive(deadline)

    def receive_line(self, deadline: Deadline) -> bytes | None:
        """Wait for one line.

        Args:
            deadline: of the wait.

        Returns:
            The line with its line feed; without one when it is endless or only part of it came; None
            when nothing came at all.

        Raises:
            SourceError: the instrument is gone.
        """
        line = bytearray()
        while len(line) < _LINE_LIMIT:
            data = self.receive(deadline)
            if not data:
                return bytes(line) if line else None
            head, feed, rest = data.partition(b"\n")
            line += head + feed
            if feed:
                self._pending[:0] = rest
                break
        return bytes(line)

    def drain(self, quiet_s: float, deadline: Deadline) -> bytes:
        """Throw away what comes, until nothing came for a while or the deadline passed.

        Returns:
            What was thrown away, at most the last of it.
        """
        thrown = b""
        while not deadline.expired():
            data = self.receive(Deadline(min(quiet_s, deadline.remaining_s())))
            if not data:
                break
            thrown = (thrown + data)[-_LINE_LIMIT:]
        return thrown

    def clear(self) -> None:
        """End what somebody may have left half said, in either direction.

        Raises:
            SourceError: the instrument is gone.
        """
        self.send(b"\n")
        self.drain(_QUIET_S, Deadline(_CLEAR_S))
