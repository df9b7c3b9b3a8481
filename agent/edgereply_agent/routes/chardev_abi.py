"""The kernel's GPIO character device, uAPI v2: sizes, numbers, flags, and bytes in both directions. No I/O.

Source: include/uapi/linux/gpio.h of the Linux kernel (the layout is the same on 32-bit and 64-bit systems).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Optional, Sequence

CHIP_INFO = struct.Struct("=32s32sI")
LINE_VALUES = struct.Struct("=QQ")
LINE_ATTRIBUTE = struct.Struct("=IIQ")
CONFIG_ATTRIBUTE = struct.Struct("=IIQQ")
LINE_CONFIG = struct.Struct("=QI20x240s")
LINE_REQUEST = struct.Struct("=64I32s272sII20xi")
LINE_INFO = struct.Struct("=32s32sIIQ160s16x")
# What is worth taking out of an event: stamp, id, sequence number, sequence number of the line.
LINE_EVENT = struct.Struct("=QI4xII24x")

MAGIC = 0xB4
_WRITE, _READ = 1, 2


def ioctl_number(direction: int, number: int, size: int) -> int:
    """Request number as `_IOC` of asm-generic/ioctl.h makes it: direction 1 write, 2 read, 3 both."""
    return direction << 30 | size << 16 | MAGIC << 8 | number


GET_CHIPINFO = ioctl_number(_READ, 0x01, CHIP_INFO.size)
GET_LINEINFO = ioctl_number(_READ | _WRITE, 0x05, LINE_INFO.size)
GET_LINE = ioctl_number(_READ | _WRITE, 0x07, LINE_REQUEST.size)
GET_VALUES = ioctl_number(_READ | _WRITE, 0x0E, LINE_VALUES.size)
SET_VALUES = ioctl_number(_READ | _WRITE, 0x0F, LINE_VALUES.size)

USED, ACTIVE_LOW, INPUT, OUTPUT, EDGE_RISING, EDGE_FALLING, OPEN_DRAIN, OPEN_SOURCE = (1 << bit for bit in range(8))
PULL_UP, PULL_DOWN, BIAS_DISABLED = (1 << bit for bit in range(8, 11))
EVENT_CLOCK_HTE = 1 << 12
BIAS = {"as-is": 0, "pull-up": PULL_UP, "pull-down": PULL_DOWN, "disabled": BIAS_DISABLED}
EDGE = {
    "none": 0,
    "rising": EDGE_RISING,
    "falling": EDGE_FALLING,
    "both": EDGE_RISING | EDGE_FALLING,
}
ATTRIBUTE_OUTPUT_VALUES, ATTRIBUTE_DEBOUNCE = 2, 3
MAX_EVENT_BUFFER = 1024


@dataclass(frozen=True)
class ChipInfo:
    """A chip as the kernel names it."""

    name: str
    label: str
    lines: int


@dataclass(frozen=True)
class LineInfo:
    """A line as the kernel sees it."""

    name: str
    consumer: str
    offset: int
    flags: int
    debounce_us: int = 0

    @property
    def edges(self) -> str:
        """Edges that whoever holds the line is told of, as in the settings."""
        wanted = self.flags & (EDGE_RISING | EDGE_FALLING)
        return next(name for name, flags in EDGE.items() if flags == wanted)

    @property
    def used(self) -> bool:
        """Somebody holds it: a driver or another program."""
        return bool(self.flags & USED)

    @property
    def direction(self) -> str:
        """`input` or `output`."""
        return "output" if self.flags & OUTPUT else "input"

    @property
    def bias(self) -> str:
        """As in the settings; `as-is` where the kernel does not know."""
        return next((name for name, flag in BIAS.items() if flag & self.flags), "as-is")


def encode_request(
    offsets: Sequence[int], consumer: str, flags: int, event_buffer: int = 0, values: Optional[int] = None
) -> bytearray:
    """A line request.

    Args:
        offsets: lines of the chip, at most 64.
        consumer: who asks, at most 31 bytes.
        flags: for all lines.
        event_buffer: events to keep, 0 for the kernel's default.
        values: levels of outputs, bit = index into `offsets`; None leaves the attribute out (all low).

    Returns:
        The structure, into which the kernel writes the descriptor.
    """
    attributes = b""
    if values is not None:
        attributes = CONFIG_ATTRIBUTE.pack(ATTRIBUTE_OUTPUT_VALUES, 0, values, (1 << len(offsets)) - 1)
    config = LINE_CONFIG.pack(flags, 1 if attributes else 0, attributes)
    padded = (*offsets, *([0] * (64 - len(offsets))))
    return bytearray(LINE_REQUEST.pack(*padded, consumer.encode()[:31], config, len(offsets), event_buffer, 0))


def request_fd(request: bytearray) -> int:
    """The descriptor the kernel wrote into a request."""
    fd = LINE_REQUEST.unpack(request)[-1]
    assert isinstance(fd, int)
    return fd


def decode_chip_info(data: bytes) -> ChipInfo:
    """Chip information as the kernel wrote it."""
    name, label, lines = CHIP_INFO.unpack(data)
    return ChipInfo(_text(name), _text(label), lines)


def encode_line_query(offset: int) -> bytearray:
    """The question for a line's information."""
    return bytearray(LINE_INFO.pack(b"", b"", offset, 0, 0, b""))


def decode_line_info(data: bytes) -> LineInfo:
    """Line information as the kernel wrote it."""
    name, consumer, offset, count, flags, attributes = LINE_INFO.unpack(data)
    found = {
        number: value for number, _, value in LINE_ATTRIBUTE.iter_unpack(attributes[: count * LINE_ATTRIBUTE.size])
    }
    return LineInfo(_text(name), _text(consumer), offset, flags, found.get(ATTRIBUTE_DEBOUNCE, 0) & 0xFFFFFFFF)


def granted_event_buffer(asked: int) -> int:
    """How many events the kernel keeps for one line when so many are asked for (0: its default, 16).

    The kernel caps at 1024 and rounds up to a power of two; it does not tell, so this is its rule, not its answer.
    """
    size = min(asked or 16, MAX_EVENT_BUFFER)
    return 1 << (size - 1).bit_length()


def _text(field: bytes) -> str:
    return field.split(b"\0", 1)[0].decode("utf-8", "replace")
