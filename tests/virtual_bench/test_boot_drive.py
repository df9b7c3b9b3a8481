"""The boot drive of an RP2040 as a real FAT file system on a real USB drive, seen by Debian's kernel in an emulator.

A board stands for the laptop: its kernel's USB storage and FAT drivers carry the copy, and the drive's medium is an
image made by mkfs.fat and read back by mtools. The far end of USB is the emulator's drive; that the boot ROM takes the
drive away with the last block is played by pulling it out then. What runs on the laptop is the part of `source flash`
that finds the drive and copies; the command around it is in `tests/rp2040/test_flash.py`.
"""

from __future__ import annotations

import io
import subprocess
import tarfile
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from edgereply.sources.flashing import uf2
from edgereply.sources.flashing.firmware import shipped
from tests.rp2040.test_flash import INFO
from tests.tools import need
from tests.virtual_board import BoardError, VirtualBoard
from tests.virtual_board.usb_drive import UsbDrive

pytestmark = pytest.mark.virtual_board

ROOT = Path(__file__).parents[2]
COPY = (Path(__file__).parent / "guest/boot_drive.py").read_text("utf-8")
# All that the copy needs of the package; none of it needs a library.
NEEDED = ("__init__.py", "errors.py", "version.py", "system", "sources/__init__.py", "sources/flashing")
MEDIUM_BYTES = 4 << 20
BLOCK = 512
# First and last words of a block (the format's own page, from memory).
MAGIC = (b"UF2\n\x57\x51\x5d\x9e", b"\x30\x6f\xb1\x0a")
IMAGE = shipped("rp2040").content
BLOCKS = len(IMAGE) // BLOCK


def medium(path: Path) -> Path:
    """What the boot ROM shows: an empty FAT file system with its note."""
    note = path.with_suffix(".txt")
    note.write_text(INFO, encoding="ascii")
    with path.open("wb") as file:
        file.truncate(MEDIUM_BYTES)
    make = [str(need("mkfs.fat", "dosfstools")), "-F", "16", "-s", "1", "-n", "RPI-RP2", str(path)]
    for command in (make, [str(need("mcopy", "mtools")), "-i", str(path), str(note), "::INFO_UF2.TXT"]):
        subprocess.run(command, check=True, capture_output=True, timeout=30)
    return path


def arrived(path: Path) -> dict[int, bytes]:
    """Blocks of an image that are on the medium, by their number, wherever they lie."""
    data = path.read_bytes()
    sectors = (data[at : at + BLOCK] for at in range(0, len(data), BLOCK))
    found = (sector for sector in sectors if sector.startswith(MAGIC[0]) and sector.endswith(MAGIC[1]))
    return {int.from_bytes(block[20:24], "little"): block for block in found}


@pytest.fixture(scope="module")
def laptop() -> Iterator[VirtualBoard]:
    """A board with a USB controller, and the package on it."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for name in NEEDED:
            tar.add(ROOT / "host/edgereply" / name, f"edgereply/{name}")
    with VirtualBoard("plain", usb=True) as board:
        board.run_bytes("mkdir -p laptop && tar -x -C laptop", 60, stdin=packed.getvalue())
        yield board


@pytest.fixture
def usb(laptop: VirtualBoard) -> Iterator[UsbDrive]:
    drive = UsbDrive(laptop)
    yield drive
    drive.forget()


def copied(
    laptop: VirtualBoard, pulled: Callable[[], bool] = lambda: False, pull: Callable[[], None] = lambda: None
) -> str:
    """Copy on the laptop, while the drive is pulled out as soon as something holds. Returns what was said."""
    over, failed = threading.Event(), []

    def watch() -> None:
        try:
            while not over.wait(0.005):
                if pulled():
                    pull()
                    return
        except BoardError as error:
            failed.append(error)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        said = laptop.run("cd laptop && python3 - 2>&1; true", 120, stdin=COPY)
    finally:
        over.set()
        watcher.join(60)
    assert not failed
    return said


def test_the_board_takes_the_image_and_the_drive_away(laptop: VirtualBoard, usb: UsbDrive, tmp_path: Path) -> None:
    path = medium(tmp_path / "medium")
    usb.plug_in(path)
    said = copied(laptop, lambda: len(arrived(path)) == BLOCKS, usb.pull_out)
    assert said.startswith("found /media/boot on /dev/sda, invented\n")
    assert said.endswith("done\n"), said
    on_it = arrived(path)
    assert b"".join(on_it[number] for number in range(BLOCKS)) == IMAGE


def test_a_drive_pulled_out_half_way_is_said_and_the_same_again_makes_it_good(
    laptop: VirtualBoard, usb: UsbDrive, tmp_path: Path
) -> None:
    """Half of the blocks are on the medium; the boot ROM, when it is asked again, shows an empty drive."""
    path = medium(tmp_path / "first")
    usb.plug_in(path)
    said = copied(laptop, lambda: len(arrived(path)) > BLOCKS // 3, usb.pull_out)
    assert 0 < len(arrived(path)) < BLOCKS
    assert "the copy broke off after" in said, said
    assert f"of {len(IMAGE):,} bytes" in said
    assert "hold the boot button while plugging the board in, and run the same command again" in said
    usb.forget()
    path = medium(tmp_path / "second")
    usb.plug_in(path)
    assert copied(laptop, lambda: len(arrived(path)) == BLOCKS, usb.pull_out).endswith("done\n")
    assert (
        uf2.parse(b"".join(block for _, block in sorted(arrived(path).items())), "medium") == shipped("rp2040").program
    )


def test_a_board_that_does_not_restart_has_the_whole_file(laptop: VirtualBoard, usb: UsbDrive, tmp_path: Path) -> None:
    """The file as another program reads it from the medium, and the file system whole."""
    path = medium(tmp_path / "medium")
    usb.plug_in(path)
    said = copied(laptop)
    assert "the copy on the drive is whole, but the board has not restarted within 4 s" in said, said
    laptop.run("umount /media/boot", 30, root=True)
    read = [str(need("mcopy", "mtools")), "-i", str(path), "::edgereply.uf2", str(tmp_path / "read.uf2")]
    subprocess.run(read, check=True, capture_output=True, timeout=30)
    assert (tmp_path / "read.uf2").read_bytes() == IMAGE
    checked = subprocess.run([str(need("fsck.fat", "dosfstools")), "-n", str(path)], capture_output=True, timeout=30)
    assert checked.returncode == 0, checked.stdout
