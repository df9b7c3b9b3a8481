"""A serial port whose every wait has a deadline and whose troubles say what to do."""

from __future__ import annotations

import errno
from pathlib import Path

import serial
from serial.tools import list_ports

from edgereply.errors import SourceError
from edgereply.system.deadline import Deadline

_SLICE_S = 0.02
_WRITE_S = 2.0
_LINE_LIMIT = 512


class SerialPort:
    """An opened port, locked for this process alone.

    Args:
        port: path or name, e.g. ``/dev/ttyUSB0``.
        baud: bits a second.

    Raises:
        SourceError: missing, busy, no permission, or not a serial port.
    """

    def __init__(self, port: str, baud: int) -> None:
        self.name = port
        self._pending = bytearray()
        try:
            self._serial = serial.Serial(port, baud, timeout=_SLICE_S, write_timeout=_WRITE_S, exclusive=True)
        except (serial.SerialException, OSError, ValueError) as error:
            raise _opening_error(port, baud, error) from error

    @property
    def device(self) -> serial.Serial:
        """Returns: the port itself, for its control lines."""
        return self._serial

    def send(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            SourceError: the port does not take them.
        """
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as error:
            raise SourceError(
                f"took no bytes for {_WRITE_S:g} s", self.name, "unplug the source, plug it in again, and retry"
            ) from error
        except (serial.SerialException, OSError) as error:
            raise self._gone(error) from error

    def receive(self, deadline: Deadline) -> bytes:
        """Wait for bytes.

        Args:
            deadline: of the wait.

        Returns:
            What came, or nothing when the deadline passed.

        Raises:
            SourceError: the port is gone.
        """
        if self._pending:
            data = bytes(self._pending)
            self._pending.clear()
            return data
        try:
            while True:
                waiting = self._serial.in_waiting
                data = self._serial.read(max(1, waiting))
                if data or deadline.expired():
                    return data
        except (serial.SerialException, OSError, TypeError) as error:
            raise self._gone(error) from error

    def receive_line(self, deadline: Deadline) -> bytes | None:
        """Wait for one line.

        Args:
            deadline: of the wait.

        Returns:
            The line with its line feed; without one when it is endless or only part of it came; None
            when nothing came at all.

        Raises:
            SourceError: the port is gone.
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

    def close(self) -> None:
        """Close the port; may be called more than once."""
        self._serial.close()

    def _gone(self, error: Exception) -> SourceError:
        return SourceError(
            "the serial port is gone: the source was unplugged or switched off",
            self.name,
            "check plug and cable, then start again",
        )


def _opening_error(port: str, baud: int, error: Exception) -> SourceError:
    number = getattr(error, "errno", None)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        present = ", ".join(sorted(info.device for info in list_ports.comports()[:8])) or "none"
        return SourceError(
            "there is no such serial port", port, f"plug the source in, or name its port; present: {present}"
        )
    if number in (errno.EACCES, errno.EPERM):
        return SourceError(
            "no permission to open this serial port",
            port,
            f"join the group that owns it: sudo usermod -aG {_group(port)} $USER, then log in again",
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return SourceError(
            "another program is using this serial port", port, "close it (serial monitors, modem managers), and retry"
        )
    return SourceError(f"cannot be opened as a serial port at {baud} Bd ({error})", port, "name the source's port")


def _group(port: str) -> str:
    try:
        return Path(port).group()
    except (OSError, KeyError):
        return "dialout"
