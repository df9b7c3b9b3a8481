"""Legacy GPIO files: which number a line has, exporting it, giving it back.

Two layouts: numbers over all chips (`export`, `gpioN`, number = base + offset), and, on kernels from about 6.17,
files per chip (`chipX/export` by offset), which have no edges and serve outputs and levels only.
"""

from __future__ import annotations

import contextlib
import errno
import grp
import os
import pwd
import re
import stat
import time
from dataclasses import dataclass
from typing import Optional

from edgereply_agent.errors import RouteError, lost_line
from edgereply_agent.settings import LineSpec

from .chips import Chips

# udev hands a line's files to a group one after the other, up to 0.2 s after the export on a board with work to do.
APPEAR_S = 2.0
RIGHTS_HINT = (
    "run the agent as root, or let a udev rule give the user's group /sys/class/gpio/export, unexport and each file of "
    "an exported line; or use the route chardev"
)
FILES = ("direction", "edge", "value", "active_low")


@dataclass(frozen=True)
class Exported:
    """A line that was exported by us."""

    spec: LineSpec
    chip: str
    offset: int
    number: Optional[int]
    directory: str
    unexport_file: str
    unexport_word: str

    def path(self, name: str) -> str:
        """One of the line's files."""
        return os.path.join(self.directory, name)

    def set_active_low(self, active_low: bool) -> None:
        """Set the polarity.

        Raises:
            RouteError: this layout has none.
        """
        path = self.path("active_low")
        if os.path.exists(path):
            write_file(path, "1" if active_low else "0", self.spec)
        elif active_low:
            raise RouteError("bad-setting", "this kernel's sysfs cannot invert a line", str(self.spec), "use chardev")

    def open_value(self, flags: int) -> int:
        """Open the level.

        Raises:
            RouteError: it cannot be opened.
        """
        try:
            return os.open(self.path("value"), flags | os.O_CLOEXEC)
        except OSError as error:
            raise file_error(error, self.path("value"), self.spec) from error

    def unexport(self) -> None:
        """Give the line back."""
        with contextlib.suppress(RouteError):
            write_file(self.unexport_file, self.unexport_word, self.spec)


def export(root: str, chips: Chips, spec: LineSpec, need_edges: bool) -> Exported:
    """Export a line.

    Args:
        root: directory that holds `sys`.
        chips: where names are looked up.
        spec: which line.
        need_edges: the line must be able to tell edges.

    Raises:
        RouteError: it cannot be had.
    """
    gpio = os.path.join(root, "sys/class/gpio")
    chip, offset, name = _locate(gpio, chips, spec)
    entry = _legacy_entry(root, gpio, chip)
    if entry is not None and os.path.exists(os.path.join(gpio, "export")):
        base, lines = (int(_text(os.path.join(gpio, entry, file))) for file in ("base", "ngpio"))
        if offset >= lines:
            remedy = "list the lines with `edgereply inspect`"
            raise RouteError("unknown-line", f"{chip} has {lines} lines, no {offset}", str(spec), remedy)
        return _export(spec, chip, offset, base + offset, gpio, str(base + offset), [f"gpio{base + offset}", name])
    number = re.fullmatch(r"gpiochip(\d+)", chip)
    per_chip = os.path.join(gpio, f"chip{number[1]}") if number else ""
    if per_chip and os.path.isdir(per_chip):
        if need_edges:
            raise RouteError(
                "no-route", "this kernel's sysfs has no edges (CONFIG_GPIO_SYSFS_LEGACY is off)", str(spec),
                "use the route chardev",
            )  # fmt: skip
        return _export(spec, chip, offset, None, per_chip, str(offset), [f"gpio{offset}"])
    raise RouteError("no-chip", f"sysfs knows no chip {chip!r}", str(spec), "list the chips with `edgereply inspect`")


def _export(
    spec: LineSpec, chip: str, offset: int, number: Optional[int], gpio: str, word: str, names: list[str]
) -> Exported:
    directories = [os.path.join(gpio, name) for name in names if name]
    unexport_file = os.path.join(gpio, "unexport")
    if any(os.path.isdir(directory) for directory in directories):
        raise RouteError(
            "busy-line", "the line is exported already, by somebody else or left over", str(spec),
            f"if nobody needs it: echo {word} > {unexport_file}",
        )  # fmt: skip
    write_file(os.path.join(gpio, "export"), word, spec)
    directory, refused = _appeared(directories)
    owner = _owner(refused) if refused else ""
    if not directory or refused:
        with contextlib.suppress(RouteError):
            write_file(unexport_file, word, spec)
    if not directory:
        raise RouteError("unknown-line", f"line {word} was exported but no files appeared", str(spec))
    if refused:
        raise RouteError(
            "no-permission", f"{refused} was not ours to write {APPEAR_S:g} s after the export: {owner}", str(spec),
            RIGHTS_HINT,
        )  # fmt: skip
    return Exported(spec, chip, offset, number, directory, unexport_file, word)


def _appeared(directories: list[str]) -> tuple[str, str]:
    """The line's directory, and the first of its files that we may not use by the deadline; each "" without one.

    The kernel makes the files before the write to `export` returns; a file that is not there then never comes, such as
    `edge` for a line without interrupts.
    """
    end = time.monotonic() + APPEAR_S
    while True:
        found = next(filter(os.path.isdir, directories), "")
        paths = [os.path.join(found, name) for name in FILES] if found else []
        refused = [path for path in paths if os.path.exists(path) and not os.access(path, os.R_OK | os.W_OK)]
        if (found and not refused) or time.monotonic() > end:
            return found, next(iter(refused), "")
        time.sleep(0.01)


def _owner(path: str) -> str:
    """Whose a file is and what others may do with it, as `ls -l` says it."""
    try:
        facts = os.stat(path)
    except OSError:
        return "it is gone"
    user, group = str(facts.st_uid), str(facts.st_gid)
    with contextlib.suppress(KeyError):
        user = pwd.getpwuid(facts.st_uid).pw_name
    with contextlib.suppress(KeyError):
        group = grp.getgrgid(facts.st_gid).gr_name
    return f"it belongs to user {user} and group {group}, with the rights {stat.filemode(facts.st_mode)}"


def _locate(gpio: str, chips: Chips, spec: LineSpec) -> tuple[str, int, str]:
    """Chip, offset, and the line's name when known: a named line's directory bears its name."""
    if chips.paths():
        path, _, line = chips.find(spec)
        return os.path.basename(path), line.offset, line.name
    if isinstance(spec.line, str):
        raise RouteError(
            "unknown-line", "sysfs does not know line names", str(spec), "give the chip's label and the line's offset"
        )
    chip = os.path.basename(spec.chip)
    if not chip:
        entries = _entries(gpio)
        if len(entries) != 1:
            remedy = "name the chip by its label"
            raise RouteError("bad-setting", f"an offset needs a chip: there are {len(entries)}", str(spec), remedy)
        chip = entries[0]
    return chip, spec.line, ""


def _legacy_entry(root: str, gpio: str, chip: str) -> Optional[str]:
    """The `gpiochipBASE` of a chip named as in /dev, by label, or by that very name.

    Labels are not unique and the number in `gpiochipBASE` is no chip number, so a chip of /dev is recognised by its
    device; where one device has several chips, they come in the same order in both places.
    """
    entries = _entries(gpio)
    device = os.path.join(root, "sys/bus/gpio/devices", chip)
    if os.path.exists(device):
        parent = os.path.dirname(os.path.realpath(device))
        bus = os.path.dirname(device)
        siblings = [name for name in _sorted(os.listdir(bus)) if _parent(os.path.join(bus, name)) == parent]
        same = [entry for entry in entries if os.path.realpath(os.path.join(gpio, entry, "device")) == parent]
        if len(siblings) == len(same):
            return same[siblings.index(chip)]
        return None
    labelled = [entry for entry in entries if chip in (entry, _text(os.path.join(gpio, entry, "label")))]
    return labelled[0] if len(labelled) == 1 else None


def _parent(link: str) -> str:
    return os.path.dirname(os.path.realpath(link))


def _entries(gpio: str) -> list[str]:
    try:
        return _sorted([name for name in os.listdir(gpio) if re.fullmatch(r"gpiochip\d+", name)])
    except OSError:
        return []


def _sorted(names: list[str]) -> list[str]:
    return sorted(
        (name for name in names if re.fullmatch(r"gpiochip\d+", name)), key=lambda name: int(name[len("gpiochip") :])
    )


def write_file(path: str, word: str, spec: LineSpec) -> None:
    """Write a word into one of the files.

    Raises:
        RouteError: with the reason.
    """
    try:
        fd = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
        try:
            os.write(fd, word.encode())
        finally:
            os.close(fd)
    except OSError as error:
        raise file_error(error, path, spec) from error


def file_error(error: OSError, path: str, spec: LineSpec) -> RouteError:
    """Why a file could not be used."""
    where = str(spec)
    if error.errno in (errno.EACCES, errno.EPERM):
        return RouteError("no-permission", f"no permission for {path}: {_owner(path)}", where, RIGHTS_HINT)
    if error.errno == errno.EBUSY:
        remedy = "see /sys/kernel/debug/gpio (as root) for its owner, or take another line"
        return RouteError("busy-line", "the line is in use by a driver or another program", where, remedy)
    if error.errno == errno.EINVAL and os.path.basename(path) == "export":
        return RouteError("unknown-line", "the kernel knows no such line", where, "see `edgereply inspect`")
    if error.errno == errno.ENOENT:
        name = os.path.basename(path)
        if name in ("edge", "direction"):
            what = "edges" if name == "edge" else "a direction"
            return RouteError("bad-setting", f"the line cannot be given {what}: {path} is missing", where)
        return RouteError("no-route", f"{path} is missing", where, "the kernel needs CONFIG_GPIO_SYSFS")
    if error.errno in (errno.ENODEV, errno.EIO):
        return lost_line(error, where)
    return RouteError("bad-setting", f"{path}: {error.strerror}", where)


def _text(path: str) -> str:
    try:
        with open(path) as file:
            return file.read().strip()
    except OSError:
        return ""
