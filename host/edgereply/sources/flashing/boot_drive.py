"""The boot drive of an RP2040: its boot ROM shows a small disk, and starts what is copied onto it.

The disk is known by its file INFO_UF2.TXT; the board restarts, and the disk goes away, once the last block is there.
Nothing that is copied can damage the boot ROM: whoever holds the boot button while plugging the board in has the disk
again.
"""

from __future__ import annotations

import contextlib
import os
import re
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import SourceError
from edgereply.sources.flashing.firmware import Firmware
from edgereply.system.deadline import Deadline

INFO = "INFO_UF2.TXT"
BOARD_ID = "RPI-RP2"  # what this chip's boot ROM calls every board; from memory
COPY_NAME = "edgereply.uf2"
GONE_S = 10.0
AGAIN = "hold the boot button while plugging the board in, and run the same command again: the boot ROM stays as it is"
_MOUNTS = Path("/proc/self/mounts")
_VOLUMES = Path("/Volumes")
_DISKS = {"vfat", "msdos"}
_BLOCK = 512
_PIECE = 16 * _BLOCK
_LOOK_S = 0.1
_INFO_BYTES = 4096

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True)
class BootDrive:
    """A boot drive.

    Attributes:
        path: where it is mounted.
        model: of the board, as the drive says.
        device: its block device, or None where the system does not say.
    """

    path: Path
    model: str
    device: Path | None = None


def mounted(mounts: Path = _MOUNTS, volumes: Path = _VOLUMES) -> list[Path]:
    """Returns: mounted disks that hold INFO_UF2.TXT, of whatever board."""
    places = [Path(place) for _, place, kind in _table(mounts) if kind in _DISKS]
    with contextlib.suppress(OSError):
        places += sorted(volumes.iterdir())
    return [place for place in dict.fromkeys(places) if _exists(place / INFO)]


def opened(path: Path, mounts: Path = _MOUNTS) -> BootDrive:
    """Look at a boot drive.

    Args:
        path: where it is mounted.

    Raises:
        SourceError: it is none, or that of another chip.
    """
    try:
        with (path / INFO).open("rb") as file:
            text = file.read(_INFO_BYTES).decode("latin-1")
    except OSError as error:
        raise SourceError(
            f"this is no boot drive: {INFO} cannot be read ({error.strerror})",
            str(path),
            "hold the board's boot button while plugging it in, mount the drive that appears, and name it with --drive",
        ) from error
    known = {
        key.strip().lower(): value.strip() for key, _, value in (line.partition(":") for line in text.splitlines())
    }
    if known.get("board-id") != BOARD_ID:
        raise SourceError(
            f"the boot drive is that of another board: its id is {known.get('board-id', 'missing')[:40]!r}, "
            f"the RP2040's is {BOARD_ID!r}; nothing was written",
            str(path),
            "plug in an RP2040 board",
        )
    device = next((Path(device) for device, place, _ in _table(mounts) if Path(place) == path), None)
    return BootDrive(path, known.get("model", "")[:80], device)


def copy(drive: BootDrive, firmware: Firmware, progress: Progress, gone_s: float = GONE_S) -> None:
    """Copy an image, and wait until the board has taken it and restarts.

    Every block but the last is sent to the drive, past what the system only remembers, before it counts as copied. So
    a drive that goes away earlier was pulled out; one that goes away with the last block was taken away by the board.

    Args:
        drive: where to.
        firmware: for the RP2040.
        progress: told what is done, how much of it, and of how much, in bytes.
        gone_s: how long the board may take to restart.

    Raises:
        SourceError: the copy broke off, reads back otherwise, or the board did not restart.
    """
    target = drive.path / COPY_NAME
    total = len(firmware.content)
    at = 0
    try:
        # The drive may go away as soon as it has the last block, before anything is synced or closed.
        file = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o644)
        try:
            while at < total - _BLOCK:
                written = os.write(file, firmware.content[at : min(at + _PIECE, total - _BLOCK)])
                os.fsync(file)
                at += written
                progress("copied", at, total)
            while at < total:
                at += os.write(file, firmware.content[at:])
            progress("copied", at, total)
            os.fsync(file)
        finally:
            os.close(file)
    except OSError as error:
        if at < total or not _gone(drive, Deadline(gone_s)):
            raise SourceError(
                f"the copy broke off after {at:,} of {total:,} bytes ({error.strerror})", str(drive.path), AGAIN
            ) from error
        return
    if not _gone(drive, Deadline(gone_s)):
        raise _remains(drive, target, firmware, gone_s)


def _remains(drive: BootDrive, target: Path, firmware: Firmware, gone_s: float) -> SourceError:
    try:
        same = _read_back(target) == firmware.content
    except OSError:
        same = False
    if not same:
        return SourceError("the copy on the drive reads back otherwise than it was written", str(drive.path), AGAIN)
    return SourceError(
        f"the copy on the drive is whole, but the board has not restarted within {gone_s:g} s",
        str(drive.path),
        f"unplug it and plug it in; if the drive comes back, {AGAIN}",
    )


def _read_back(target: Path) -> bytes:
    file = os.open(target, os.O_RDONLY)
    try:
        if sys.platform == "linux":  # not what the system still remembers of the writing
            os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
        return b"".join(iter(lambda: os.read(file, 1 << 16), b""))
    finally:
        os.close(file)


def _gone(drive: BootDrive, deadline: Deadline) -> bool:
    while True:
        # A disk that was pulled out may stay mounted, and what was read of it remembered: its device tells better.
        if (drive.device is not None and not _exists(drive.device)) or not _exists(drive.path / INFO):
            return True
        if deadline.expired():
            return False
        time.sleep(_LOOK_S)


def _exists(path: Path) -> bool:
    try:
        path.stat()
    except OSError:
        return False
    return True


def _table(mounts: Path) -> Iterator[tuple[str, str, str]]:
    """Device, place and kind of each mounted file system; spaces in them are written as octal numbers."""
    with contextlib.suppress(OSError):
        for line in mounts.read_text("utf-8", "surrogateescape").splitlines():
            words = [re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), word) for word in line.split(" ")]
            if len(words) >= 3:
                yield words[0], words[1], words[2]
