"""The shipped image by the boot drive, end to end: a directory stands for the drive, the emulator for the board.

A real FAT file system on a USB drive: `tests/virtual_bench/test_boot_drive.py`.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply.sources.flashing import firmware, uf2
from edgereply.sources.flashing.boot_drive import COPY_NAME
from tests.integration.commands import Workplace, explained
from tests.rp2040.firmware import Rp2040
from tests.rp2040.rig import Rp2040Rig

pytestmark = pytest.mark.rig

INFO = "UF2 Bootloader v3.0\r\nModel: invented\r\nBoard-ID: RPI-RP2\r\n"


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Workplace]:
    place = Workplace(tmp_path)
    yield place
    place.nothing_left()


@contextlib.contextmanager
def boot_rom(drive: Path, taken: Path) -> Iterator[None]:
    """Takes the image once it is whole, and the drive away."""
    drive.mkdir()
    (drive / "INFO_UF2.TXT").write_text(INFO)
    over = threading.Event()
    want = len(firmware.shipped("rp2040").content)

    def watch() -> None:
        while not over.wait(0.01):
            target = drive / COPY_NAME
            if target.exists() and target.stat().st_size == want:
                taken.write_bytes(target.read_bytes())
                drive.rename(drive.with_name("gone"))
                return

    rom = threading.Thread(target=watch)
    rom.start()
    try:
        yield
    finally:
        over.set()
        rom.join(10)


def test_the_shipped_image_is_copied_and_its_board_answers(place: Workplace) -> None:
    shipped = firmware.shipped("rp2040")
    drive, board, taken = place.root / "drive", place.root / "board", place.root / "taken.uf2"
    board.mkdir()
    # What the board runs is what the image holds.
    (board / "pulse-source.bin").write_bytes(uf2.parse(shipped.content, "shipped"))
    with boot_rom(drive, taken), Rp2040Rig(folder=board, usb=True) as rig:
        done = place.run("source", "flash", "--drive", str(drive), "--port", rig.port, "--yes", "--json")
    assert done.code == 0, done.err
    assert taken.read_bytes() == shipped.content
    found = done.document
    assert (found["chip"], found["verified"], found["sha256"]) == ("rp2040", True, shipped.digest)
    assert (found["identity"]["model"], found["identity"]["serial"]) == ("rp2040", Rp2040.serial)
    assert len(done.err.splitlines()) <= 12


def test_a_board_that_nobody_asked_is_not_called_verified(place: Workplace) -> None:
    with boot_rom(place.root / "drive", place.root / "taken.uf2"):
        done = place.run("source", "flash", "--drive", str(place.root / "drive"), "--yes", "--json")
    assert done.code == 0, done.err
    assert (done.document["verified"], done.document["identity"]) == (False, None)
    assert "not verified: ask the board with 'edgereply source'" in done.err


def test_a_directory_that_is_no_drive_is_left_alone(place: Workplace) -> None:
    folder = place.root / "stick"
    folder.mkdir()
    done = place.run("source", "flash", "--drive", str(folder), "--yes")
    explained(done, 3, "this is no boot drive", "boot button")
    assert not list(folder.iterdir())
