"""A kernel's GPIO character device without a kernel: files for chips, an ioctl, socket pairs for requests.

It checks requests by the rules of gpiolib-cdev.c and answers with the same error numbers. Levels live in shared
memory, so that a forked responder's outputs are seen here.
"""

from __future__ import annotations

import errno
import mmap
import os
import select
import socket
import struct
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from edgereply_agent.routes import chardev_abi as abi

EVENT = struct.Struct("=QIIII24x")


@dataclass
class FakeLine:
    """One line. `flags` and `consumer` while it is held."""

    name: str = ""
    consumer: str = ""
    flags: int = 0
    kernel: socket.socket | None = None
    seqno: int = 0
    irq: bool = True
    debounce_us: int = 0


@dataclass
class FakeChip:
    """One chip of 4 lines unless said otherwise."""

    label: str
    lines: list[FakeLine] = field(default_factory=lambda: [FakeLine() for _ in range(4)])


class FakeGpioKernel:
    """Chips under `root`/dev; pass `ioctl` to `Chips`."""

    def __init__(self, root: Path, chips: list[FakeChip]) -> None:
        self.root, self.chips = root, chips
        (root / "dev").mkdir(parents=True, exist_ok=True)
        self._paths = {}
        for number, chip in enumerate(chips):
            path = root / f"dev/gpiochip{number}"
            path.touch()
            self._paths[str(path)] = chip
        self.levels = mmap.mmap(-1, 4096)
        self._requests: dict[int, FakeLine] = {}
        self._places: dict[int, int] = {
            id(line): 64 * number + offset
            for number, chip in enumerate(chips)
            for offset, line in enumerate(chip.lines)
        }
        self.old = False
        self.hardware_clock = False

    def line(self, name: str) -> FakeLine:
        """A line by name."""
        return next(line for chip in self.chips for line in chip.lines if line.name == name)

    def level(self, name: str) -> int:
        """Logical level of a line."""
        return self.levels[self._places[id(self.line(name))]]

    def edge(self, name: str, kind: int = 1, skip: int = 0) -> int:
        """An edge on an input. Returns its stamp in ns."""
        line = self.line(name)
        self.levels[self._places[id(line)]] = int(kind == 1)
        line.seqno = (line.seqno + 1 + skip) & 0xFFFFFFFF
        at_ns = time.monotonic_ns()
        wanted = abi.EDGE_RISING if kind == 1 else abi.EDGE_FALLING
        if line.kernel is not None and line.flags & wanted:
            line.kernel.send(EVENT.pack(at_ns, kind, 0, line.seqno, line.seqno))
        return at_ns

    def ioctl(self, fd: int, request: int, arg: bytearray) -> int:
        """As `fcntl.ioctl`."""
        if request == abi.SET_VALUES:
            return self._values(fd, arg, write=True)
        if request == abi.GET_VALUES:
            return self._values(fd, arg, write=False)
        chip = self._paths.get(str(Path(f"/proc/self/fd/{fd}").readlink()))
        if chip is None:
            raise _error(errno.ENOTTY)
        if request == abi.GET_CHIPINFO:
            number = self.chips.index(chip)
            arg[:] = abi.CHIP_INFO.pack(f"gpiochip{number}".encode(), chip.label.encode(), len(chip.lines))
        elif self.old:
            raise _error(errno.EINVAL)
        elif request == abi.GET_LINEINFO:
            self._info(chip, arg)
        elif request == abi.GET_LINE:
            self._get_line(chip, arg)
        else:
            raise _error(errno.EINVAL)
        return 0

    def _info(self, chip: FakeChip, arg: bytearray) -> None:
        offset = abi.LINE_INFO.unpack(arg)[2]
        if offset >= len(chip.lines):
            raise _error(errno.EINVAL)
        line = self._current(chip.lines[offset])
        flags = line.flags or abi.INPUT
        attribute = abi.LINE_ATTRIBUTE.pack(3, 0, line.debounce_us) if line.debounce_us else b""
        name, consumer = line.name.encode(), line.consumer.encode()
        arg[:] = abi.LINE_INFO.pack(name, consumer, offset, len(attribute) // 16, flags, attribute)

    def _current(self, line: FakeLine) -> FakeLine:
        """Give a line back whose request was closed by everybody."""
        if line.kernel is not None:
            poll = select.poll()
            poll.register(line.kernel, 0)
            if poll.poll(0):  # hung up
                line.kernel.close()
                line.kernel, line.flags, line.consumer, line.seqno = None, 0, "", 0
        return line

    def _get_line(self, chip: FakeChip, arg: bytearray) -> None:
        *offsets, consumer, config, count, buffer, _ = abi.LINE_REQUEST.unpack(arg)
        flags, attributes, attribute = abi.LINE_CONFIG.unpack(config)
        if flags & abi.EVENT_CLOCK_HTE and not self.hardware_clock:
            raise _error(errno.EOPNOTSUPP)
        bias = flags & (abi.PULL_UP | abi.PULL_DOWN | abi.BIAS_DISABLED)
        edges = flags & (abi.EDGE_RISING | abi.EDGE_FALLING)
        direction = flags & (abi.INPUT | abi.OUTPUT)
        if count != 1 or offsets[0] >= len(chip.lines) or attributes > 10 or buffer < 0:
            raise _error(errno.EINVAL)
        if direction == abi.INPUT | abi.OUTPUT or (edges and not flags & abi.INPUT):
            raise _error(errno.EINVAL)
        if bias and (bias & (bias - 1) or not direction):
            raise _error(errno.EINVAL)
        line = self._current(chip.lines[offsets[0]])
        if line.flags & abi.USED:
            raise _error(errno.EBUSY)
        if edges and not line.irq:
            raise _error(errno.ENXIO)
        user, line.kernel = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        line.flags, line.consumer, line.seqno = flags | abi.USED, consumer.rstrip(b"\0").decode(), 0
        if flags & abi.OUTPUT:
            values = 0
            if attributes:
                ident, _, values, mask = abi.CONFIG_ATTRIBUTE.unpack(attribute[: abi.CONFIG_ATTRIBUTE.size])
                if ident != abi.ATTRIBUTE_OUTPUT_VALUES or mask != 1:
                    raise _error(errno.EINVAL)
            self.levels[self._places[id(line)]] = values & 1
        fd = user.detach()
        self._requests[fd] = line
        arg[-4:] = struct.pack("=i", fd)

    def _values(self, fd: int, arg: bytearray, write: bool) -> int:
        line = self._requests.get(fd)
        if line is None:
            raise _error(errno.ENODEV)
        bits, mask = abi.LINE_VALUES.unpack_from(arg)
        if not mask:
            raise _error(errno.EINVAL)
        place = self._places[id(line)]
        if not write:
            arg[:] = abi.LINE_VALUES.pack(self.levels[place], mask)
            return 0
        if not line.flags & abi.OUTPUT:
            raise _error(errno.EPERM)
        self.levels[place] = bits & 1
        # Through the request's own socket, so that changes made by a forked process arrive here in order.
        os.write(fd, bytes([bits & 1]))
        return 0

    def change(self, name: str) -> int:
        """Next level written to an output since it was requested; waits at most 10 s."""
        kernel: Any = self.line(name).kernel
        kernel.settimeout(10)
        level: int = kernel.recv(1)[0]
        return level

    def collect(self) -> None:
        """Take back all lines nobody holds any more."""
        for chip in self.chips:
            for line in chip.lines:
                self._current(line)

    def close(self) -> None:
        """Close the kernel's ends."""
        for chip in self.chips:
            for line in chip.lines:
                if line.kernel is not None:
                    line.kernel.close()


def _error(number: int) -> OSError:
    return OSError(number, os.strerror(number))
