"""A serial adapter's control lines and TX, recording what is done to them."""

from __future__ import annotations

import time
from collections.abc import Callable


class FakeAdapter:
    """Has the part of a serial port that the line source uses.

    Attributes:
        done: (monotonic ns, line, asserted) or (monotonic ns, "tx", byte) in order.
        looped: RTS is wired to CTS and DSR.
        answer: CTS and DSR answer each byte sent by a pulse: low once, high for two readings, low again.
        cost_s: how long reading a line takes.
    """

    def __init__(self) -> None:
        self.done: list[tuple[int, str, int]] = []
        self.looped = False
        self.answer = False
        self.cost_s = 0.0
        self.closed = False
        self.baudrate = 0
        self.before_write: Callable[[], None] = lambda: None
        self._readings = 9
        self._rts = self._dtr = True

    @property
    def rts(self) -> bool:
        return self._rts

    @rts.setter
    def rts(self, asserted: bool) -> None:
        self._rts = asserted
        self.done.append((time.monotonic_ns(), "rts", asserted))

    @property
    def dtr(self) -> bool:
        return self._dtr

    @dtr.setter
    def dtr(self, asserted: bool) -> None:
        self._dtr = asserted
        self.done.append((time.monotonic_ns(), "dtr", asserted))

    @property
    def cts(self) -> bool:
        time.sleep(self.cost_s)
        if self.looped:
            return self._rts
        self._readings += 1
        return not (self.answer and 2 <= self._readings <= 3)

    dsr = cts

    def write(self, data: bytes) -> int:
        self.before_write()
        self._readings = 0
        self.done += [(time.monotonic_ns(), "tx", byte) for byte in data]
        return len(data)

    def close(self) -> None:
        self.closed = True
