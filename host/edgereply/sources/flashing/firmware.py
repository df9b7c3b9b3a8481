"""The firmware that ships with the package: for which chips, which file, and the hash it must have.

`examples/ship_firmware.py` builds the images from the sources and writes `images/images.toml`; a test builds them
again and compares.
"""

from __future__ import annotations

import hashlib
import tomllib
from dataclasses import dataclass
from pathlib import Path

from edgereply.errors import DataError, SettingError
from edgereply.sources.flashing import intel_hex, uf2

IMAGES = Path(__file__).parent / "images"
MANIFEST = "images.toml"
# Of 32 KiB of flash: the largest boot loader section that the chip can be set up for has 4 KiB (DS40002061, 27.8).
ATMEGA328P_PROGRAM_BYTES = 0x7000
CHIPS = ("atmega328p", "rp2040")


@dataclass(frozen=True, slots=True)
class Firmware:
    """One image.

    Attributes:
        chip: as the firmware names it in ``*IDN?``.
        version: of the firmware.
        path: of the file.
        content: the file.
        program: what will be in flash, from its beginning.
    """

    chip: str
    version: str
    path: Path
    content: bytes
    program: bytes

    @property
    def digest(self) -> str:
        """The file's SHA-256 in hexadecimal."""
        return hashlib.sha256(self.content).hexdigest()


def shipped(chip: str, folder: Path = IMAGES) -> Firmware:
    """The image that came with this package.

    Args:
        chip: one of `CHIPS`.
        folder: with the images.

    Raises:
        SettingError: there is none for this chip.
        DataError: it is missing, or not the one that was shipped.
    """
    if chip not in CHIPS:
        raise SettingError(f"there is no firmware for {chip!r}", "--chip", f"use one of {', '.join(CHIPS)}")
    remedy = "install the package again"
    try:
        entry = tomllib.loads((folder / MANIFEST).read_text("utf-8"))[chip]
        path = folder / entry["file"]
        content = path.read_bytes()
    except (OSError, KeyError, ValueError) as error:
        raise DataError(f"the firmware for {chip} is not there ({error})", str(folder), remedy) from error
    if hashlib.sha256(content).hexdigest() != entry["sha256"]:
        raise DataError("the image is not the one that was shipped: its hash differs", str(path), remedy)
    return Firmware(chip, entry["version"], path, content, program_of(chip, content, str(path)))


def own(chip: str, path: Path) -> Firmware:
    """An image that somebody built, checked like the shipped one but for its hash.

    Raises:
        DataError: it cannot be read, or is not for this chip.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise DataError(f"cannot be read: {error.strerror}", str(path), "name the image with --image") from error
    return Firmware(chip, "of your own", path, content, program_of(chip, content, str(path)))


def program_of(chip: str, content: bytes, where: str) -> bytes:
    """What an image puts into flash.

    Raises:
        DataError: it is damaged, or for another chip.
    """
    if chip == "rp2040":
        return uf2.parse(content, where)
    return intel_hex.parse(content.decode("latin-1"), ATMEGA328P_PROGRAM_BYTES, where)
