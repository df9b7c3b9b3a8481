"""Chips and their lines by the character device: listing and finding."""

from __future__ import annotations

import errno
import fcntl
import grp
import os
import re
from typing import Any, Callable, Optional, Union

from edgereply_agent.errors import RouteError
from edgereply_agent.settings import LineSpec

from . import chardev_abi as abi

V2_HINT = "the kernel must be 5.10 or later with CONFIG_GPIO_CDEV; on an older one use the route sysfs"
SLOW_BUSES = ("i2c", "spi", "usb", "w1")


class Chips:
    """The chips of the board. Not thread-safe.

    Args:
        root: directory that holds `dev` and `sys`.
        ioctl: as `fcntl.ioctl`.
    """

    def __init__(self, root: str = "/", ioctl: Callable[..., Any] = fcntl.ioctl) -> None:
        self.root, self.ioctl = root, ioctl

    def paths(self) -> list[str]:
        """Device files of all chips, by number. Links are left out: they would show a chip twice."""
        directory = os.path.join(self.root, "dev")
        try:
            names = [name for name in os.listdir(directory) if re.fullmatch(r"gpiochip\d+", name)]
        except OSError:
            return []
        names.sort(key=lambda name: int(name[8:]))
        return [path for path in (os.path.join(directory, name) for name in names) if not os.path.islink(path)]

    def open(self, path: str) -> int:
        """Open a chip.

        Raises:
            RouteError: it cannot be had.
        """
        try:
            return os.open(path, os.O_RDWR | os.O_CLOEXEC)
        except OSError as error:
            raise open_error(error, path) from error

    def info(self, fd: int, path: str) -> abi.ChipInfo:
        """What the kernel says of an open chip.

        Raises:
            RouteError: it is no GPIO chip.
        """
        data = bytearray(abi.CHIP_INFO.size)
        try:
            self.ioctl(fd, abi.GET_CHIPINFO, data)
        except OSError as error:
            raise RouteError(
                "no-chip", f"this is not a GPIO chip: {error.strerror}", path, "name a gpiochip"
            ) from error
        return abi.decode_chip_info(bytes(data))

    def line(self, fd: int, offset: int, path: str) -> abi.LineInfo:
        """What the kernel says of a line.

        Raises:
            RouteError: no such line, or the kernel lacks uAPI v2.
        """
        data = abi.encode_line_query(offset)
        try:
            self.ioctl(fd, abi.GET_LINEINFO, data)
        except OSError as error:
            raise line_info_error(error, offset, path) from error
        return abi.decode_line_info(bytes(data))

    def find(self, spec: LineSpec) -> tuple[str, abi.ChipInfo, abi.LineInfo]:
        """Find a line by chip (name, path, label, or none: all of them) and line (name or offset).

        Returns:
            The chip's path, the chip, the line.

        Raises:
            RouteError: none or several; or none could be opened.
        """
        found: list[tuple[str, abi.ChipInfo, abi.LineInfo]] = []
        chips: list[str] = []
        refused: Optional[RouteError] = None
        for path in self._candidates(spec.chip):
            try:
                fd = self.open(path)
            except RouteError as error:
                refused = refused or error
                continue
            try:
                chip = self.info(fd, path)
                if not _is_chip(spec.chip, path, chip):
                    continue
                chips.append(f"{chip.name} ({chip.label}, {chip.lines} lines)")
                found += [(path, chip, line) for line in self._matching(fd, path, chip, spec.line)]
            finally:
                os.close(fd)
        if len(found) == 1:
            return found[0]
        if refused is not None and not found:
            raise refused
        raise self._not_found(spec, chips, found)

    def bus(self, name: str) -> str:
        """The bus a chip sits on (`platform`, `i2c` …), empty when unknown."""
        link = os.path.join(self.root, "sys/bus/gpio/devices", name)
        parent = os.path.dirname(os.path.realpath(link))
        return os.path.basename(os.path.realpath(os.path.join(parent, "subsystem"))) if os.path.exists(link) else ""

    def slow_warning(self, name: str, spec: LineSpec) -> list[str]:
        """A warning when the chip sits behind a serial bus."""
        bus = self.bus(name)
        if bus not in SLOW_BUSES:
            return []
        return [
            f"{spec}: {name} sits behind {bus}, so reaching it sleeps and its edges are stamped in a thread, late; "
            "use a line of the processor itself for measuring"
        ]

    def _candidates(self, chip: str) -> list[str]:
        if chip.startswith("/"):
            return [chip]
        if re.fullmatch(r"gpiochip\d+", chip):
            return [os.path.join(self.root, "dev", chip)]
        paths = self.paths()
        if not paths:
            raise RouteError(
                "no-chip", "the board has no /dev/gpiochip*", chip or "any chip",
                "load the GPIO driver of the board; the kernel needs CONFIG_GPIO_CDEV",
            )  # fmt: skip
        return paths

    def _matching(self, fd: int, path: str, chip: abi.ChipInfo, line: Union[str, int]) -> list[abi.LineInfo]:
        if isinstance(line, int):
            return [self.line(fd, line, path)] if line < chip.lines else []
        lines = (self.line(fd, offset, path) for offset in range(chip.lines))
        return [info for info in lines if info.name == line]

    def _not_found(
        self, spec: LineSpec, chips: list[str], found: list[tuple[str, abi.ChipInfo, abi.LineInfo]]
    ) -> RouteError:
        if found:
            places = ", ".join(f"{chip.name} offset {line.offset}" for _, chip, line in found)
            return RouteError(
                "bad-setting", f"line {spec.line!r} is there several times: {places}", str(spec),
                "name the chip and the offset",
            )  # fmt: skip
        if not chips:
            return RouteError(
                "no-chip", f"no chip is named or labelled {spec.chip!r}", str(spec),
                "list the chips with `edgereply inspect`",
            )  # fmt: skip
        hint = "list the lines with `edgereply inspect`"
        if isinstance(spec.line, str) and spec.line.isdigit():
            hint = f"an offset is written without quotes: line = {spec.line}"
        return RouteError("unknown-line", f"no line {spec.line!r} on {', '.join(chips)}", str(spec), hint)


def _is_chip(wanted: str, path: str, chip: abi.ChipInfo) -> bool:
    return not wanted or wanted.startswith("/") or wanted in (chip.name, chip.label, os.path.basename(path))


def open_error(error: OSError, path: str) -> RouteError:
    """Why a chip could not be opened."""
    if error.errno in (errno.EACCES, errno.EPERM):
        return RouteError("no-permission", f"no permission to open {path}", path, _permission_hint(path))
    if error.errno in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return RouteError("no-chip", f"there is no {path}", path, "list the chips with `edgereply inspect`")
    return RouteError("no-chip", f"{path} cannot be opened: {error.strerror}", path)


def line_info_error(error: OSError, offset: int, path: str) -> RouteError:
    """Why a line told nothing."""
    if error.errno in (errno.ENOTTY, errno.EINVAL, errno.ENOSYS) and offset == 0:
        return RouteError("no-route", "the kernel does not speak GPIO uAPI v2", path, V2_HINT)
    if error.errno == errno.EINVAL:
        return RouteError("unknown-line", f"there is no line {offset}", path, "list the lines with `edgereply inspect`")
    if error.errno in (errno.ENOTTY, errno.ENOSYS):
        return RouteError("no-route", "the kernel does not speak GPIO uAPI v2", path, V2_HINT)
    return RouteError("lost-line", f"line {offset} cannot be asked for: {error.strerror}", path)


def _permission_hint(path: str) -> str:
    try:
        status = os.stat(path)
        group = grp.getgrgid(status.st_gid).gr_name
    except (OSError, KeyError):
        return "run the agent as root"
    if status.st_mode & 0o060 == 0o060 and status.st_gid:
        return f"add the user to the group {group} (sudo usermod -aG {group} USER) and log in anew"
    return (
        "run the agent as root, or give a group access to the chip with a udev rule "
        '(SUBSYSTEM=="gpio", GROUP="gpio", MODE="0660") and add the user to it'
    )
