"""Status registers and the error queue, as IEEE 488.2 and SCPI-99 define them."""

from __future__ import annotations

from collections import deque

from edgereply.sources.simulator.grammar import CommandError, CommandRow, integer

TEXTS = {
    0: "No error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -284: "Program currently running",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
QUEUE_DEPTH = 8
_OPERATION_COMPLETE = 1
_POWER_ON = 128
_ERROR_QUEUE_BIT = 4
_EVENT_BIT = 32
_MASTER_BIT = 64


class SimulatorStatus:
    """The registers of one instrument.

    Attributes:
        event_enable: value of ``*ESE``.
        service_enable: value of ``*SRE``.
    """

    def __init__(self) -> None:
        self.event_enable = 0
        self.service_enable = 0
        self._events = _POWER_ON
        self._errors: deque[int] = deque()

    def error(self, code: int) -> None:
        """Queue an error and set its class' bit in the event register."""
        self._events |= 1 << {1: 5, 2: 4, 3: 3, 4: 2}[-code // 100]
        if len(self._errors) < QUEUE_DEPTH:
            self._errors.append(code)
        elif self._errors[-1] != -350:
            self._errors[-1] = -350
            self._events |= 1 << 3

    def operation_complete(self) -> None:
        """Set the bit that ``*OPC`` asks for."""
        self._events |= _OPERATION_COMPLETE

    def next_error(self) -> str:
        """Returns: the oldest error, taken from the queue."""
        code = self._errors.popleft() if self._errors else 0
        return f'{code},"{TEXTS[code]}"'

    def events(self) -> int:
        """Returns: the event register, which reading clears."""
        events, self._events = self._events, 0
        return events

    def byte(self) -> int:
        """Returns: the status byte."""
        byte = _ERROR_QUEUE_BIT if self._errors else 0
        if self._events & self.event_enable:
            byte |= _EVENT_BIT
        if byte & self.service_enable & ~_MASTER_BIT:
            byte |= _MASTER_BIT
        return byte

    def clear(self) -> None:
        """``*CLS``: empties the queue and the event register."""
        self._events = 0
        self._errors.clear()

    def rows(self) -> list[CommandRow]:
        """Returns: the commands that read and set the registers; ``*CLS`` and ``*OPC`` do more than that."""
        return [
            ("*ESE", lambda text: self._enable("event_enable", text), 1),
            ("*ESE?", lambda: str(self.event_enable), 0),
            ("*ESR?", lambda: str(self.events()), 0),
            ("*SRE", lambda text: self._enable("service_enable", text), 1),
            ("*SRE?", lambda: str(self.service_enable), 0),
            ("*STB?", lambda: str(self.byte()), 0),
            ("SYSTem:ERRor[:NEXT]?", self.next_error, 0),
        ]

    def _enable(self, name: str, text: str) -> None:
        value = integer(text)
        if not 0 <= value <= 255:
            raise CommandError(-222)
        setattr(self, name, value & (~_MASTER_BIT if name == "service_enable" else 255))
