"""The hot loop of the agent and changes to it, one at a time, run on the virtual board.

loop_variants.py VARIANT INPUT OUTPUT COUNT TIMEOUT_S     prints edge, wake, set, clear in ns for each answer

Standard library only; ABI numbers as in the agent's `chardev_abi`.
"""

from __future__ import annotations

import ctypes
import fcntl
import gc
import os
import select
import signal
import struct
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

LABEL = b"reject-gate"
CHIP_INFO, LINE_INFO = struct.Struct("=32s32sI"), struct.Struct("=32s32sIIQ160s16x")
REQUEST, EVENT, VALUES = struct.Struct("=64I32s272sII20xi"), struct.Struct("=QI4xII24x"), struct.Struct("=QQ")
GET_CHIP, GET_LINE_INFO, GET_LINE, SET_VALUES = 0x8044B401, 0xC100B405, 0xC250B407, 0xC010B40F
INPUT_RISING, OUTPUT = 1 << 2 | 1 << 4, 1 << 3

ioctl, now = fcntl.ioctl, time.monotonic_ns
Call = Callable[[], Any]
Loop = Callable[[Call, Call, Call, Callable[[Any], Any], Callable[..., Any], int], None]


def request(names: dict[str, int]) -> dict[str, int]:
    """Request lines by name, each with its flags; returns their descriptors."""
    found = {}
    for path in sorted(Path("/dev").glob("gpiochip*")):
        with path.open("rb") as chip:
            info = bytearray(CHIP_INFO.size)
            ioctl(chip, GET_CHIP, info)
            _, label, lines = CHIP_INFO.unpack(info)
            if label.rstrip(b"\0") != LABEL:
                continue
            for offset in range(lines):
                line = bytearray(LINE_INFO.pack(b"", b"", offset, 0, 0, b""))
                ioctl(chip, GET_LINE_INFO, line)
                name = LINE_INFO.unpack(line)[0].rstrip(b"\0").decode()
                if name in names:
                    flags = struct.pack("=QI20x240s", names[name], 0, b"")  # no attributes
                    wanted = bytearray(REQUEST.pack(offset, *[0] * 63, b"variant", flags, 1, 0, 0))
                    ioctl(chip, GET_LINE, wanted)
                    found[name] = REQUEST.unpack(wanted)[-1]
    return found


def shipped(read: Call, high: Call, low: Call, decode: Callable[[Any], Any], keep: Callable[..., Any], n: int) -> None:
    """As in the agent's `answer_blocking`, less stopping and the ring."""
    clock = now
    while n:
        event = read()
        wake_ns = clock()
        high()
        set_ns = clock()
        low()
        clear_ns = clock()
        keep(decode(event)[0], wake_ns, set_ns, clear_ns)
        n -= 1


def clock_later(
    read: Call, high: Call, low: Call, decode: Callable[[Any], Any], keep: Callable[..., Any], n: int
) -> None:
    """No stamp between waking and writing."""
    clock = now
    while n:
        event = read()
        high()
        set_ns = clock()
        low()
        clear_ns = clock()
        keep(decode(event)[0], set_ns, set_ns, clear_ns)
        n -= 1


def decode_first(
    read: Call, high: Call, low: Call, decode: Callable[[Any], Any], keep: Callable[..., Any], n: int
) -> None:
    """The event is taken apart before it is answered."""
    clock = now
    while n:
        edge_ns = decode(read())[0]
        wake_ns = clock()
        high()
        set_ns = clock()
        low()
        clear_ns = clock()
        keep(edge_ns, wake_ns, set_ns, clear_ns)
        n -= 1


def globals_looked_up(
    read: Call, high: Call, low: Call, decode: Callable[[Any], Any], keep: Callable[..., Any], n: int
) -> None:
    """Names of modules looked up each time instead of bound before."""
    while n:
        event = read()
        wake_ns = time.monotonic_ns()
        high()
        set_ns = time.monotonic_ns()
        low()
        clear_ns = time.monotonic_ns()
        keep(EVENT.unpack(event)[0], wake_ns, set_ns, clear_ns)
        n -= 1


def prepare(variant: str, source: int, target: int) -> tuple[Loop, Call, Call, Call, Callable[[Any], Any]]:
    """The loop and its calls: as shipped, but for what the variant changes."""
    one, zero = VALUES.pack(1, 1), VALUES.pack(0, 1)
    beyond = bytes(0 if variant == "copied" else 1024)
    mutable_one, mutable_zero = bytearray(one + beyond), bytearray(zero + beyond)
    read: Call = partial(os.read, source, EVENT.size)
    high: Call = partial(ioctl, target, SET_VALUES, mutable_one)
    low: Call = partial(ioctl, target, SET_VALUES, mutable_zero)
    decode: Callable[[Any], Any] = EVENT.unpack
    loop: Loop = shipped
    if variant == "bytes":
        high, low = partial(ioctl, target, SET_VALUES, one), partial(ioctl, target, SET_VALUES, zero)
    elif variant == "lambda":
        high, low = lambda: ioctl(target, SET_VALUES, mutable_one), lambda: ioctl(target, SET_VALUES, mutable_zero)
    elif variant == "ctypes":
        call = ctypes.CDLL(None, use_errno=True).ioctl
        first, second = (ctypes.create_string_buffer(levels, VALUES.size) for levels in (one, zero))
        words = ctypes.c_int(target), ctypes.c_ulong(SET_VALUES)
        high, low = partial(call, *words, first), partial(call, *words, second)
    elif variant == "read-into":
        buffer = bytearray(EVENT.size)
        inner = partial(os.readv, source, [buffer])
        read, decode = inner, lambda _: EVENT.unpack(buffer)
    elif variant == "read-many":
        read, decode = partial(os.read, source, EVENT.size * 64), EVENT.unpack_from
    elif variant == "poll-first":
        poll = select.poll()
        poll.register(source, select.POLLIN)

        def read() -> bytes:
            poll.poll()
            return os.read(source, EVENT.size)

    else:
        loops: dict[str, Loop] = {
            "clock-later": clock_later, "decode-first": decode_first, "globals": globals_looked_up
        }  # fmt: skip
        loop = loops.get(variant, shipped)
    return loop, read, high, low, decode


def main(variant: str, input_name: str, output_name: str, count: int, timeout_s: int) -> None:
    """Answer, then print."""
    signal.alarm(timeout_s)
    fds = request({input_name: INPUT_RISING, output_name: OUTPUT})
    loop, read, high, low, decode = prepare(variant, fds[input_name], fds[output_name])
    rows: list[tuple[int, ...]] = []
    if variant != "collector":
        gc.collect()
        gc.disable()
        gc.freeze()
    print("ready", file=sys.stderr, flush=True)
    loop(read, high, low, decode, lambda *row: rows.append(row), count)
    for row in rows:
        print(*row)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3], int(sys.argv[4]), int(sys.argv[5]))
