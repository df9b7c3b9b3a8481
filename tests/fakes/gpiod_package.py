"""The part of the gpiod package's version 2 interface that the agent uses, on a fake kernel."""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import Enum
from types import SimpleNamespace
from typing import Any

from edgereply_agent.routes import chardev_abi as abi
from tests.fakes.gpio_kernel import FakeGpioKernel

Direction = Enum("Direction", ["AS_IS", "INPUT", "OUTPUT"])
Edge = Enum("Edge", ["NONE", "RISING", "FALLING", "BOTH"])
Bias = Enum("Bias", ["AS_IS", "UNKNOWN", "DISABLED", "PULL_UP", "PULL_DOWN"])
Value = Enum("Value", ["INACTIVE", "ACTIVE"])
Type = Enum("Type", ["RISING_EDGE", "FALLING_EDGE"])


@dataclass
class LineSettings:
    """As `gpiod.LineSettings`."""

    direction: Direction = Direction.AS_IS
    edge_detection: Edge = Edge.NONE
    bias: Bias = Bias.AS_IS
    active_low: bool = False
    output_value: Value = Value.INACTIVE


class Request:
    """As `gpiod.LineRequest`, for one line."""

    def __init__(self, kernel: FakeGpioKernel, path: str, offset: int, settings: LineSettings, consumer: str) -> None:
        self._kernel, self._offset = kernel, offset
        flags = abi.INPUT if settings.direction is Direction.INPUT else abi.OUTPUT
        flags |= abi.EDGE[settings.edge_detection.name.lower()]
        flags |= abi.ACTIVE_LOW if settings.active_low else 0
        request = abi.encode_request([offset], consumer, flags, 0, settings.output_value is Value.ACTIVE)
        chip = os.open(path, os.O_RDWR)
        try:
            kernel.ioctl(chip, abi.GET_LINE, request)
        finally:
            os.close(chip)
        self.fd = abi.request_fd(request)

    def read_edge_events(self, max_events: int) -> list[Any]:
        """Blocks; one event."""
        assert max_events == 1
        at_ns, kind, seqno, line_seqno = abi.LINE_EVENT.unpack(os.read(self.fd, 48))
        event_type = Type.RISING_EDGE if kind == 1 else Type.FALLING_EDGE
        return [SimpleNamespace(event_type=event_type, timestamp_ns=at_ns, global_seqno=seqno, line_seqno=line_seqno)]

    def set_values(self, values: dict[int, Value]) -> None:
        """Set the level."""
        ((line, value),) = values.items()
        assert line == self._offset
        self._kernel.ioctl(self.fd, abi.SET_VALUES, bytearray(abi.LINE_VALUES.pack(value is Value.ACTIVE, 1)))

    def get_value(self, line: int) -> Value:
        """Read the level."""
        assert line == self._offset
        values = bytearray(abi.LINE_VALUES.pack(0, 1))
        self._kernel.ioctl(self.fd, abi.GET_VALUES, values)
        return Value.ACTIVE if abi.LINE_VALUES.unpack(values)[0] else Value.INACTIVE

    def release(self) -> None:
        """Give the line back."""
        os.close(self.fd)


class FakeGpiod:
    """Stands for the module."""

    LineSettings = LineSettings
    EdgeEvent = SimpleNamespace(Type=Type)
    line = SimpleNamespace(Direction=Direction, Edge=Edge, Bias=Bias, Value=Value)

    def __init__(self, kernel: FakeGpioKernel) -> None:
        self._kernel = kernel

    def request_lines(self, path: str, config: dict[int, Any], consumer: str, event_buffer_size: int | None) -> Request:
        """As `gpiod.request_lines`, one line."""
        ((offset, settings),) = config.items()
        assert event_buffer_size is None or event_buffer_size > 0
        return Request(self._kernel, path, offset, settings, consumer)
