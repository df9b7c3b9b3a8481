"""The lines of a bare USB-serial adapter, with the levels of TTL adapters: asserted is low."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Protocol

import serial

from edgereply.errors import SettingError, SourceError
from edgereply.sources.serial_port import SerialPort

_USB_FRAME_NS = 1_000_000
_PROBES = 50


class Lines(Protocol):
    """What is used of a serial port."""

    rts: bool
    dtr: bool
    baudrate: int

    @property
    def cts(self) -> bool:
        """Returns: whether CTS is asserted, that is, low on a TTL adapter."""
        ...

    @property
    def dsr(self) -> bool:
        """Returns: whether DSR is asserted."""
        ...

    def write(self, data: bytes, /) -> int | None:
        """Send bytes."""
        ...


class Adapter:
    """One adapter, opened.

    Args:
        port: serial port.
        baud: bits a second to begin with.
        stimulus: ``tx``, ``rts`` or ``dtr``.
        response: ``cts``, ``dsr`` or ``none``.

    Attributes:
        name: of the port.
        resolution_ns: the slowest of some readings of a control line; a USB frame where there are none.

    Raises:
        SettingError: another line.
        SourceError: the port cannot be had, or has no control lines and needs them.
    """

    def __init__(self, port: str, baud: int, stimulus: str, response: str) -> None:
        if stimulus not in ("tx", "rts", "dtr"):
            raise SettingError(f"{stimulus!r} cannot carry a stimulus", "stimulus", "use tx, rts or dtr")
        if response not in ("cts", "dsr", "none"):
            raise SettingError(f"{response!r} cannot carry a response", "response", "use cts, dsr or none")
        if "://" in port or "::" in port:
            raise SettingError(
                f"an adapter's lines cannot be timed across {port}", "source.port", "give a serial device here"
            )
        self.name = port
        self._stimulus = stimulus
        self._response = response
        self._port = SerialPort(port, baud)
        self._lines: Lines = self._port.device
        try:
            self.resolution_ns = self._measure_ns()
        except BaseException:
            self._port.close()
            raise

    def set_baud(self, baud: int) -> None:
        """Set the rate of TX. Raises SourceError when the port is gone."""
        with self._present():
            self._lines.baudrate = baud

    def send(self, byte: int) -> None:
        """Send one byte on TX. Raises SourceError when the port is gone."""
        with self._present():
            self._lines.write(bytes([byte]))

    def drive(self, high: bool) -> None:
        """Set the stimulus line to a level. Raises SourceError when the port is gone."""
        with self._present():
            if self._stimulus == "rts":
                self._lines.rts = not high
            else:
                self._lines.dtr = not high

    def level(self) -> int:
        """Returns: level of the response line. Raises SourceError when the port is gone."""
        with self._present():
            return int(not (self._lines.cts if self._response == "cts" else self._lines.dsr))

    def close(self) -> None:
        """Let the port go."""
        self._port.close()

    def _measure_ns(self) -> int:
        slowest_ns = 1
        try:
            for _ in range(_PROBES):
                before_ns = time.monotonic_ns()
                _ = self._lines.cts
                slowest_ns = max(slowest_ns, time.monotonic_ns() - before_ns)
        except (serial.SerialException, OSError) as error:
            if self._stimulus != "tx" or self._response != "none":
                raise SourceError(
                    "this port has no control lines", self.name, "use TX for the stimulus, and no response"
                ) from error
            return _USB_FRAME_NS
        return slowest_ns

    @contextmanager
    def _present(self) -> Iterator[None]:
        try:
            yield
        except (serial.SerialException, OSError) as error:
            raise SourceError("the adapter is gone", self.name, "check plug and cable, then start again") from error
