"""A serial port whose every wait has a deadline and whose troubles say what to do; by RFC 2217 also elsewhere."""

from __future__ import annotations

import errno
import warnings

import serial
from serial.tools import list_ports

from edgereply.errors import SourceError
from edgereply.sources.ports.base import Port
from edgereply.sources.ports.network import address, connection_error
from edgereply.system.deadline import Deadline
from edgereply.system.posix_parts import group_of

_SLICE_S = 0.02
_WRITE_S = 2.0
RFC2217 = "rfc2217"


class SerialPort(Port):
    """An opened port, locked for this process alone.

    Args:
        port: path or name, e.g. ``/dev/ttyUSB0``, or ``rfc2217://host:2217`` for one of another computer.
        baud: bits a second.

    Raises:
        SourceError: missing, busy, no permission, or not a serial port.
    """

    def __init__(self, port: str, baud: int) -> None:
        super().__init__()
        self.name = port
        if port.startswith(f"{RFC2217}://"):
            self._serial = _by_network(port, baud)
            return
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

    def _receive(self, deadline: Deadline) -> bytes:
        try:
            while True:
                waiting = self._serial.in_waiting
                data = self._serial.read(max(1, waiting))
                if data or deadline.expired():
                    return data
        except (serial.SerialException, OSError, TypeError) as error:
            raise self._gone(error) from error

    def close(self) -> None:
        """Close the port; may be called more than once."""
        self._serial.close()

    def _gone(self, error: Exception) -> SourceError:
        if self.name.startswith(f"{RFC2217}://"):
            return SourceError(
                "the connection to the serial port was closed at the other end",
                self.name,
                "look whether somebody else uses it, check the network, then start again",
            )
        return SourceError(
            "the serial port is gone: the source was unplugged or switched off",
            self.name,
            "check plug and cable, then start again",
        )


def _by_network(port: str, baud: int) -> serial.Serial:
    """A serial port that a server offers by RFC 2217: rate and control lines go over the network too."""
    address(port)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # the library's own, about how it starts its thread
            # Sending has its time-out there. Control lines are no way in for us, and a server whose port has none may
            # never confirm them.
            return serial.serial_for_url(f"{port}?ign_set_control", baud, timeout=_SLICE_S)
    except (serial.SerialException, OSError, ValueError) as error:
        cause = error.__context__ if isinstance(error, serial.SerialException) else error
        if isinstance(cause, OSError) and not isinstance(cause, serial.SerialException):
            raise connection_error(port, cause) from error
        raise SourceError(
            f"what answers there does not offer a serial port at {baud} Bd by RFC 2217",
            port,
            "name a server that does, switch its RFC 2217 on, or use socket://host:port",
        ) from error


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
            f"join the group that owns it: sudo usermod -aG {group_of(port, 'dialout')} $USER, then log in again",
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return SourceError(
            "another program is using this serial port", port, "close it (serial monitors, modem managers), and retry"
        )
    return SourceError(f"cannot be opened as a serial port at {baud} Bd ({error})", port, "name the source's port")
