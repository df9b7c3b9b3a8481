"""The reject gate in Python, by the GPIO character device: responder_chardev.py CHIP INPUT OUTPUT COUNT [RECORDS]

Answers COUNT rising edges of the line with offset INPUT by a pulse on OUTPUT; "ready" on stderr when it waits. Standard
library only; the structures are those of linux/gpio.h, uAPI v2. RECORDS: so many objects are made after each answer and
kept for 64 edges, so that the collector has work.
"""

import os
import struct
import sys
from fcntl import ioctl

GET_LINE, SET_VALUES = 0xC250B407, 0xC010B40F
INPUT_RISING, OUTPUT = 1 << 2 | 1 << 4, 1 << 3
REQUEST, VALUES, EVENT_BYTES = struct.Struct("=64I32sQI20x240xII20xi"), struct.Struct("=QQ"), 48


def line(chip: int, offset: int, flags: int) -> int:
    """Request one line; its descriptor."""
    wanted = bytearray(REQUEST.pack(offset, *[0] * 63, b"responder", flags, 0, 1, 0, 0))
    ioctl(chip, GET_LINE, wanted)
    return int(REQUEST.unpack(wanted)[-1])


def main(path: str, source: int, target: int, count: int, records: int = 0) -> None:
    """Answer so many edges."""
    chip = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    output, source_fd = line(chip, target, OUTPUT), line(chip, source, INPUT_RISING)
    high, low = bytearray(VALUES.pack(1, 1)), bytearray(VALUES.pack(0, 1))
    kept: list[list[list[int]]] = [[]] * 64
    print("ready", file=sys.stderr, flush=True)
    for bottle in range(count):
        os.read(source_fd, EVENT_BYTES)
        ioctl(output, SET_VALUES, high)
        ioctl(output, SET_VALUES, low)
        if records:
            kept[bottle % 64] = [[bottle, lot] for lot in range(records)]


if __name__ == "__main__":
    main(sys.argv[1], *map(int, sys.argv[2:]))
