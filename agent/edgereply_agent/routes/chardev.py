"""Route `chardev`: the kernel's GPIO character device by ioctl, nothing but the standard library."""

from __future__ import annotations

import errno
import os
import select
from functools import partial
from typing import Any, Callable, Optional

from edgereply_agent.errors import RouteError, lost_line
from edgereply_agent.settings import LineSpec

from . import chardev_abi as abi
from .base import InputLine, OutputLine, Route, poller, set_nonblocking
from .chips import V2_HINT, Chips

CONSUMER = "edgereply"
ENOTSUPP = 524
IN_PLACE = 1024


class ChardevRoute(Route):
    """Each line is a request of its own, so that the output's ioctl carries one line and events have one origin.

    Args:
        chips: where chips are found, and the ioctl to reach them with.
    """

    name = "chardev"
    stamps_edges = True
    counts_lost = True
    remedy = "is a GPIO driver loaded? see `ls /sys/bus/gpio/devices` on the board; the kernel needs CONFIG_GPIO_CDEV"

    @staticmethod
    def lacks() -> str:
        """See `Route.lacks`; a chip that may not be opened tells nothing."""
        chips = Chips()
        paths = chips.paths()
        for path in paths:
            try:
                fd = chips.open(path)
            except RouteError:
                continue
            try:
                if chips.info(fd, path).lines:
                    chips.line(fd, 0, path)
            except RouteError as error:
                return f"{error.what}: {V2_HINT}" if error.code == "no-route" else ""
            finally:
                os.close(fd)
        return "" if paths else "there is no /dev/gpiochip*"

    def __init__(self, chips: Optional[Chips] = None) -> None:
        self.chips = chips or Chips()

    def input(self, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """See `Route.input`."""
        flags = abi.INPUT | abi.EDGE[edges] | abi.BIAS[spec.bias]
        return ChardevInput(self, spec, flags, event_buffer if edges != "none" else 0)

    def output(self, spec: LineSpec) -> OutputLine:
        """See `Route.output`."""
        return ChardevOutput(self, spec, abi.OUTPUT | abi.BIAS[spec.bias])

    def no_hardware_clock(self, spec: LineSpec) -> str:
        """See `Route.no_hardware_clock`: asks by a request of its own, which is given back at once."""
        try:
            fd, _, _ = self.request(spec, abi.INPUT | abi.EDGE_RISING | abi.EVENT_CLOCK_HTE, 0, None)
        except RouteError as error:
            refused = error.__cause__
            if error.code == "bad-setting" and isinstance(refused, OSError):
                return refused.strerror or str(refused)
            raise
        os.close(fd)
        return ""

    def request(
        self, spec: LineSpec, flags: int, event_buffer: int, values: Optional[int]
    ) -> tuple[int, str, abi.LineInfo]:
        """Request one line.

        Returns:
            The request's descriptor, the chip's path, and the line as the kernel sees it afterwards.

        Raises:
            RouteError: it cannot be had.
        """
        path, _, line = self.chips.find(spec)
        if spec.active_low:
            flags |= abi.ACTIVE_LOW
        chip_fd = self.chips.open(path)
        try:
            request = abi.encode_request([line.offset], CONSUMER, flags, event_buffer, values)
            try:
                self.chips.ioctl(chip_fd, abi.GET_LINE, request)
            except OSError as error:
                raise request_error(error, spec, self.chips.line(chip_fd, line.offset, path), flags) from error
            return abi.request_fd(request), path, self.chips.line(chip_fd, line.offset, path)
        finally:
            os.close(chip_fd)


class ChardevInput(InputLine):
    """One input request."""

    def __init__(self, route: ChardevRoute, spec: LineSpec, flags: int, event_buffer: int) -> None:
        self.spec, self._ioctl = spec, route.chips.ioctl
        self.fd, path, line = fd, _, _ = route.request(spec, flags, event_buffer, None)
        self.warnings = route.chips.slow_warning(os.path.basename(path), spec)
        self.read = partial(os.read, fd, abi.LINE_EVENT.size)
        self.ready = poller(fd, select.POLLIN)
        self.expected = [(fd, select.POLLIN)]
        self.decode = abi.LINE_EVENT.unpack
        self.in_effect = {
            "chip": path, "line": line.offset, "name": line.name, "bias": line.bias,
            "active_low": bool(line.flags & abi.ACTIVE_LOW), "event_clock": "monotonic",
            "event_buffer": abi.granted_event_buffer(event_buffer),
            **({"debounce_us": line.debounce_us} if line.debounce_us else {}),
        }  # fmt: skip

    def level(self) -> int:
        """See `InputLine.level`."""
        return _level(self._ioctl, self.fd, self.spec)

    def interrupt(self) -> None:
        """See `InputLine.interrupt`."""
        set_nonblocking(self.fd)

    def close(self) -> None:
        """See `InputLine.close`."""
        if self.fd >= 0:
            os.close(self.fd)
        self.fd = -1


class ChardevOutput(OutputLine):
    """One output request; a level is one ioctl with a buffer made beforehand."""

    def __init__(self, route: ChardevRoute, spec: LineSpec, flags: int) -> None:
        self.spec, self._ioctl = spec, route.chips.ioctl
        self.fd, path, line = fd, _, _ = route.request(spec, flags, 0, 0)
        self.warnings = route.chips.slow_warning(os.path.basename(path), spec)
        self.high = partial(route.chips.ioctl, fd, abi.SET_VALUES, _in_place(1))
        self.low = partial(route.chips.ioctl, fd, abi.SET_VALUES, _in_place(0))
        self.in_effect = {
            "chip": path, "line": line.offset, "name": line.name, "bias": line.bias,
            "active_low": bool(line.flags & abi.ACTIVE_LOW),
        }  # fmt: skip

    def level(self) -> int:
        """See `OutputLine.level`."""
        return _level(self._ioctl, self.fd, self.spec)

    def close(self) -> None:
        """See `OutputLine.close`. The line goes back to its driver, which usually keeps the level: low."""
        if self.fd >= 0:
            os.close(self.fd)
        self.fd = -1


def _in_place(level: int) -> bytearray:
    """What sets one line, in a buffer that the interpreter hands to the kernel as it is.

    Bytes would be copied and a result allocated at each call. A bytearray of up to 1024 bytes is copied there and back,
    with the interpreter's lock given up meanwhile; a longer one is passed in place and the lock kept, which spares 350
    of 1,800 instructions (`fcntl.ioctl`, Modules/fcntlmodule.c of CPython 3.9 to 3.13; 3.14 treats both alike). The
    kernel reads no more than the structure, and a responder's process has no other thread that could want the lock.
    """
    return bytearray(abi.LINE_VALUES.pack(level, 1)) + bytes(IN_PLACE)


def _level(ioctl: Callable[..., Any], fd: int, spec: LineSpec) -> int:
    values = bytearray(abi.LINE_VALUES.pack(0, 1))
    try:
        ioctl(fd, abi.GET_VALUES, values)
    except OSError as error:
        raise lost_line(error, str(spec)) from error
    return int(abi.LINE_VALUES.unpack(values)[0]) & 1


def request_error(error: OSError, spec: LineSpec, line: abi.LineInfo, flags: int) -> RouteError:
    """Why a line could not be requested."""
    where = str(spec)
    code = error.errno
    if code == errno.EBUSY:
        return RouteError(
            "busy-line", f"the line is in use by {line.consumer or 'somebody'!r}", where,
            "end that program, or free the line from its driver (device tree), or take another line",
        )  # fmt: skip
    if code in (errno.EACCES, errno.EPERM):
        return RouteError("no-permission", "the kernel does not allow this line", where, "run the agent as root")
    if code in (errno.ENOTTY, errno.ENOSYS):
        return RouteError("no-route", "the kernel does not speak GPIO uAPI v2", where, V2_HINT)
    if code == errno.ENOMEM:
        return RouteError("no-memory", "the kernel has no memory for the request", where)
    if code in (errno.ENODEV, errno.EIO):
        return lost_line(error, where)
    if flags & (abi.EDGE_RISING | abi.EDGE_FALLING) and code in (errno.ENXIO, errno.EINVAL, errno.EOPNOTSUPP, ENOTSUPP):
        remedy = "take a line whose chip raises interrupts"
        return RouteError("bad-setting", f"the line gives no edge events ({error.strerror})", where, remedy)
    if spec.bias != "as-is" and code in (errno.EINVAL, errno.EOPNOTSUPP, ENOTSUPP):
        remedy = 'set bias = "as-is" and use a resistor'
        return RouteError("bad-setting", f"the line cannot have the bias {spec.bias}", where, remedy)
    return RouteError("bad-setting", f"the kernel refused the request: {error.strerror}", where)
