"""Route `sysfs`: the legacy files under /sys/class/gpio. No stamps, no queue: edges that come close together merge.

Source: Documentation/userspace-api/gpio/sysfs.rst and Documentation/ABI/obsolete/sysfs-gpio of the Linux kernel.
"""

from __future__ import annotations

import os
import select
from functools import partial
from typing import Any, Callable, Optional

from edgereply_agent.errors import RouteError, lost_line
from edgereply_agent.settings import LineSpec
from edgereply_protocol import NO_STAMP

from .base import FALLING, RISING, InputLine, OutputLine, Route
from .chips import Chips
from .sysfs_export import Exported, export, write_file

PENDING = select.POLLPRI | select.POLLERR


class SysfsRoute(Route):
    """Lines are exported for the time of use.

    Args:
        root: directory that holds `sys` and `dev`.
        chips: where line names are looked up.
        pread, pwrite: as `os.pread` and `os.pwrite`.
        pending: poll flags that say an edge came.
    """

    name = "sysfs"
    stamps_edges = False
    counts_lost = False
    remedy = "use the route chardev; the kernel needs CONFIG_GPIO_SYSFS for this one"

    @staticmethod
    def lacks() -> str:
        """See `Route.lacks`."""
        return "" if os.path.exists("/sys/class/gpio/export") else "there is no /sys/class/gpio/export"

    def __init__(
        self,
        root: str = "/",
        chips: Optional[Chips] = None,
        pread: Callable[[int, int, int], bytes] = os.pread,
        pwrite: Callable[[int, bytes, int], int] = os.pwrite,
        pending: int = PENDING,
    ) -> None:
        self.root, self.pread, self.pwrite, self.pending = root, pread, pwrite, pending
        self.chips = chips or Chips(root)

    def input(self, spec: LineSpec, edges: str, event_buffer: int) -> InputLine:
        """See `Route.input`; the kernel keeps no events here."""
        _refuse_bias(spec)
        return SysfsInput(self, spec, edges)

    def output(self, spec: LineSpec) -> OutputLine:
        """See `Route.output`."""
        _refuse_bias(spec)
        return SysfsOutput(self, spec)


class SysfsInput(InputLine):
    """One exported input."""

    def __init__(self, route: SysfsRoute, spec: LineSpec, edges: str) -> None:
        self.spec = spec
        self._exported: Optional[Exported] = export(route.root, route.chips, spec, edges != "none")
        self._fd = self._stop_read = self._stop_write = -1
        try:
            self._exported.set_active_low(spec.active_low)
            write_file(self._exported.path("direction"), "in", spec)
            if edges != "none":
                write_file(self._exported.path("edge"), edges, spec)
            self._fd = fd = self._exported.open_value(os.O_RDONLY)
        except BaseException:
            self.close()
            raise
        self._stop_read, self._stop_write = stop_read, _ = os.pipe()
        self._pread = pread = partial(route.pread, fd, 4, 0)
        sleeping, awake = select.poll(), select.poll()
        for poll in (sleeping, awake):
            poll.register(fd, select.POLLPRI | select.POLLERR)
        sleeping.register(stop_read, select.POLLIN)
        self.ready = partial(awake.poll, 0)
        self.expected = [(fd, route.pending)]
        self._wait = sleeping.poll
        self._stopped = [(stop_read, select.POLLIN)]
        self.read = self._read
        count = 0

        def decode(value: Any) -> tuple[int, int, int, int]:
            nonlocal count
            count = (count + 1) & 0xFFFFFFFF
            falling = edges == "falling" or (edges == "both" and value[:1] == b"0")
            return NO_STAMP, FALLING if falling else RISING, count, count

        self.decode = decode
        # Until the value was read once, the first poll returns without an edge.
        pread()
        self.in_effect = {
            "chip": self._exported.chip, "line": self._exported.offset, "number": self._exported.number,
            "event_clock": None, "event_buffer": 0,
        }  # fmt: skip
        self.warnings = (
            f"{spec}: sysfs gives no stamps and merges edges that come close together; prefer the route chardev",
        )

    def _read(self) -> bytes:
        if self._stopped[0] in self._wait():
            raise BlockingIOError("interrupted")
        return self._pread()

    def level(self) -> int:
        """See `InputLine.level`."""
        return _level(self._pread, self.spec)

    def interrupt(self) -> None:
        """See `InputLine.interrupt`."""
        if self._stop_write >= 0:
            os.write(self._stop_write, b"s")

    def close(self) -> None:
        """See `InputLine.close`."""
        for fd in (self._fd, self._stop_read, self._stop_write):
            if fd >= 0:
                os.close(fd)
        self._fd = self._stop_read = self._stop_write = -1
        if self._exported is not None:
            self._exported.unexport()
        self._exported = None


class SysfsOutput(OutputLine):
    """One exported output."""

    def __init__(self, route: SysfsRoute, spec: LineSpec) -> None:
        self.spec = spec
        self._exported: Optional[Exported] = export(route.root, route.chips, spec, False)
        self._fd = -1
        try:
            self._exported.set_active_low(spec.active_low)
            # These words set the direction and the physical level at once, without a glitch.
            write_file(self._exported.path("direction"), "high" if spec.active_low else "low", spec)
            self._fd = fd = self._exported.open_value(os.O_RDWR)
        except BaseException:
            self.close()
            raise
        self.high = partial(route.pwrite, fd, b"1", 0)
        self.low = partial(route.pwrite, fd, b"0", 0)
        self._pread = partial(route.pread, fd, 4, 0)
        self.in_effect = {
            "chip": self._exported.chip, "line": self._exported.offset, "number": self._exported.number
        }  # fmt: skip

    def level(self) -> int:
        """See `OutputLine.level`."""
        return _level(self._pread, self.spec)

    def close(self) -> None:
        """See `OutputLine.close`."""
        if self._fd >= 0:
            os.close(self._fd)
        self._fd = -1
        if self._exported is not None:
            self._exported.unexport()
        self._exported = None


def _level(pread: Callable[[], bytes], spec: LineSpec) -> int:
    try:
        return int(pread()[:1] == b"1")
    except OSError as error:
        raise lost_line(error, str(spec)) from error


def _refuse_bias(spec: LineSpec) -> None:
    if spec.bias != "as-is":
        raise RouteError(
            "bad-setting", f"sysfs cannot set the bias {spec.bias}", str(spec),
            'set bias = "as-is" and use a resistor, or use the route chardev',
        )  # fmt: skip
