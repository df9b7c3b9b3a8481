"""An instrument on USB as the USB test-and-measurement class has it, by the kernel's own driver: `/dev/usbtmc0`.

The driver carries whole messages. Its time-out is set before each reading by an ioctl (kernel 4.20 and later); older
kernels keep their own of 5 s. Source: include/uapi/linux/usb/tmc.h, Documentation/ABI of the driver usbtmc.
"""

from __future__ import annotations

import errno
import os
import struct
from typing import ClassVar, Final

from edgereply.errors import SourceError
from edgereply.sources.ports.base import Port
from edgereply.system.deadline import Deadline
from edgereply.system.device_files import control

# _IO(91, 2) and _IOW(91, 10, __u32)
CLEAR: Final = 0x5B02
SET_TIMEOUT: Final = 0x40045B0A
_SHORTEST_MS: Final = 100
_LONGEST_MS: Final = 60_000
_CHUNK: Final = 4096


class UsbtmcPort(Port):
    """A device file of the driver.

    Args:
        port: `/dev/usbtmc0`.

    Raises:
        SourceError: it cannot be opened.
    """

    streams: ClassVar[bool] = False

    def __init__(self, port: str) -> None:
        super().__init__()
        self.name = port
        try:
            self._file = os.open(port, os.O_RDWR)
        except OSError as error:
            raise _opening_error(port, error) from error
        self._closed = False

    def send(self, data: bytes) -> None:
        """Send one message; see `Port.send`."""
        try:
            os.write(self._file, data)
        except OSError as error:
            raise self._failed("takes no message", error) from error

    def clear(self) -> None:
        """Clear the device, as the standard has a request for it; one that refuses keeps what it had."""
        self._pending.clear()
        control(self._file, CLEAR)

    def close(self) -> None:
        """Let the device go."""
        if not self._closed:
            self._closed = True
            os.close(self._file)

    def _receive(self, deadline: Deadline) -> bytes:
        left_ms = int(min(max(deadline.remaining_s() * 1e3, _SHORTEST_MS), _LONGEST_MS))
        control(self._file, SET_TIMEOUT, struct.pack("=I", left_ms))
        try:
            return os.read(self._file, _CHUNK)
        except OSError as error:
            if error.errno in (errno.ETIMEDOUT, errno.EAGAIN):
                return b""
            raise self._failed("does not answer", error) from error

    def _failed(self, what: str, error: OSError) -> SourceError:
        if error.errno in (errno.ENODEV, errno.EIO, errno.EPIPE, errno.ESHUTDOWN):
            return SourceError("the instrument is gone from USB", self.name, "check plug and power, then start again")
        return SourceError(f"the instrument {what} ({error.strerror})", self.name, "switch it off and on, then retry")


def _opening_error(port: str, error: OSError) -> SourceError:
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return SourceError(
            "there is no such USB instrument", port, "plug it in, switch it on, and look at 'ls /dev/usbtmc*'"
        )
    if error.errno in (errno.EACCES, errno.EPERM):
        return SourceError(
            "no permission to open this USB instrument", port,
            "give your user the right by a udev rule for usbtmc devices, then plug it in again",
        )  # fmt: skip
    if error.errno == errno.EBUSY:
        return SourceError("another program is using this USB instrument", port, "close it, and retry")
    return SourceError(f"cannot be opened as a USB instrument ({error.strerror})", port, "name the instrument's device")
