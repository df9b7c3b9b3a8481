"""Which board is to be flashed and how, and doing it: by the serial boot loader or by the boot drive."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from serial.tools import list_ports

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources.base import SourceIdentity
from edgereply.sources.dialogue import Dialogue
from edgereply.sources.flashing import boot_drive
from edgereply.sources.flashing.boot_loader import BAUDS, BootLoader, Progress
from edgereply.sources.flashing.firmware import CHIPS, Firmware
from edgereply.sources.identification import identify
from edgereply.sources.serial_port import SerialPort
from edgereply.system.deadline import Deadline

SOURCE_BAUD = 500_000
ENTER_S = 15.0
START_S = 8.0
_THERE_S = 2.0
BY_DRIVE = "hold the board's boot button while plugging it in, and mount the drive that appears"

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Way:
    """How firmware gets onto a board.

    Attributes:
        chip: of `CHIPS`.
        place: the serial port, or where the boot drive is mounted.
        words: the same for a person.
    """

    chip: str
    place: str
    words: str


def usb_ports() -> dict[str, str]:
    """Returns: serial ports on USB, each with what it says it is."""
    return {info.device: info.description for info in sorted(list_ports.comports()) if info.vid is not None}


def find(chip: str, port: str, drive: str, ports: Callable[[], dict[str, str]] = usb_ports,
         drives: Callable[[], list[Path]] = boot_drive.mounted) -> Way:  # fmt: skip
    """Decide which board is meant; nothing is opened or written.

    Args:
        chip: what the user named, or "".
        port: the serial port named, or "".
        drive: the boot drive named, or "".
        ports, drives: what there is.

    Raises:
        SettingError: what was named does not go together, or is not the only one that may be meant.
        SourceError: there is no board, or the drive is that of another.
    """
    if chip and chip not in CHIPS:
        raise SettingError(f"there is no firmware for {chip!r}", "--chip", f"use one of {', '.join(CHIPS)}")
    if drive and chip == "atmega328p":
        raise SettingError("an ATmega328P has no boot drive", "--drive", "name its serial port with --port")
    if drive:
        return _by_drive(Path(drive))
    if port and chip != "rp2040":
        return _by_port(port)
    found_drives = drives() if chip != "atmega328p" else []
    found_ports = ports() if chip != "rp2040" else {}
    if len(found_drives) + len(found_ports) > 1:
        what = [f"--drive {place}" for place in found_drives] + [
            f"--port {name} ({words})" for name, words in found_ports.items()
        ]
        raise SettingError("more than one board may be meant", ", ".join(what), "name one of them")
    if found_drives:
        return _by_drive(found_drives[0])
    if found_ports:
        return _by_port(next(iter(found_ports)))
    raise SourceError(
        "no boot drive is mounted" if chip == "rp2040" else "no board was found: no serial port on USB, no boot drive",
        "this computer",
        BY_DRIVE if chip == "rp2040" else f"plug the board in, or name its --port; for an RP2040 {BY_DRIVE}",
    )


def _by_drive(path: Path) -> Way:
    model = boot_drive.opened(path).model
    return Way("rp2040", str(path), f"by copying it to the boot drive {path}{f' ({model})' if model else ''}")


def _by_port(port: str) -> Way:
    return Way("atmega328p", port, f"through the serial boot loader on {port}")


def flash(way: Way, firmware: Firmware, port: str, say: Say, progress: Progress) -> SourceIdentity | None:
    """Write and verify, and let what was written say who it is.

    Args:
        way: from `find`.
        firmware: for its chip.
        port: where an RP2040 is to be identified afterwards; "" where that is not known.
        say: told what a person should do meanwhile.
        progress: see `BootLoader.write`.

    Returns:
        The pulse source that answers; None where there was no port to ask.

    Raises:
        SourceError: with the way back.
    """
    if way.chip == "atmega328p":
        return _by_boot_loader(way.place, firmware, say, progress)
    before = set(usb_ports())
    boot_drive.copy(boot_drive.opened(Path(way.place)), firmware, progress)
    port = port or _new_port(before, Deadline(START_S))
    if not port:
        return None
    with contextlib.closing(SerialPort(port, SOURCE_BAUD)) as line:
        return _started(line)


def _by_boot_loader(name: str, firmware: Firmware, say: Say, progress: Progress) -> SourceIdentity:
    asked = False

    def no_reset() -> None:
        nonlocal asked
        if not asked:
            say("this port cannot reset the board: press its reset button now, more than once if need be")
        asked = True

    with contextlib.closing(SerialPort(name, BAUDS[0])) as port:
        loader = BootLoader(port)
        if not loader.enter(Deadline(ENTER_S), no_reset):
            raise _no_boot_loader(port)
        loader.expect_chip()
        loader.write(firmware.program, progress)
        loader.leave()
        return _started(port)


def _started(port: SerialPort) -> SourceIdentity:
    port.device.baudrate = SOURCE_BAUD
    try:
        return identify(Dialogue(port, "pulse source"), "reference", Deadline(START_S))
    except SourceError as error:
        raise SourceError(
            f"the firmware was written and verified, but does not answer: {error.message}",
            port.name,
            "press the board's reset button and ask 'edgereply source'; the firmware is for a clock of 16 MHz "
            "(ATmega328P) or a crystal of 12 MHz (RP2040)",
        ) from error


def _no_boot_loader(port: SerialPort) -> SourceError:
    """What else may be there, asked before the error is made."""
    message = f"no boot loader answers at {' or '.join(map(str, BAUDS))} Bd; nothing was written"
    port.device.baudrate = SOURCE_BAUD
    try:
        there = identify(Dialogue(port, "pulse source"), "reference", Deadline(_THERE_S))
    except HostError:
        return SourceError(
            message,
            port.name,
            "check that this is an ATmega328P board with a serial boot loader, and press its reset button when the "
            "command starts; a programmer writes the same image, as the source's own page in the documentation says",
        )
    remedy = "press the board's reset button when the command starts"
    if there.model == "rp2040":
        remedy = f"an RP2040 has no serial boot loader: {BY_DRIVE}"
    return SourceError(f"{message}; a pulse source answers there ({there.model}, firmware {there.firmware})",
                       port.name, remedy)  # fmt: skip


def _new_port(before: set[str], deadline: Deadline) -> str:
    """The serial port that a board's own USB brings, or ""."""
    while not deadline.expired():
        if new := set(usb_ports()) - before:
            return min(new)
        time.sleep(0.2)
    return ""
