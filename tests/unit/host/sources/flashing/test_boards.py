"""Which board is meant, boot drives, and a boot loader that does not do what it should."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from edgereply.errors import HostError, SettingError, SourceError
from edgereply.sources.flashing import boot_drive
from edgereply.sources.flashing.boot_loader import PAGE_BYTES, BootLoader
from edgereply.sources.flashing.firmware import shipped
from edgereply.sources.flashing.flash import find
from edgereply.sources.serial_port import SerialPort
from edgereply.system.deadline import Deadline

INFO = "UF2 Bootloader v3.0\r\nModel: a board\r\nBoard-ID: {id}\r\n"


def quiet(_what: str, _done: int, _total: int) -> None:
    pass


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    place = tmp_path / "drive"
    place.mkdir()
    (place / "INFO_UF2.TXT").write_text(INFO.format(id="RPI-RP2"))
    return place


PORTS = {"/dev/ttyUSB0": "USB serial", "/dev/ttyUSB1": "USB serial"}


@pytest.mark.parametrize(
    ("chip", "port", "drives", "ports", "found"),
    [
        ("", "", 0, 1, "atmega328p"),
        ("", "", 1, 0, "rp2040"),
        ("", "/dev/ttyX", 1, 2, "atmega328p"),
        ("rp2040", "", 1, 2, "rp2040"),
        ("rp2040", "/dev/ttyX", 1, 0, "rp2040"),
        ("atmega328p", "", 1, 1, "atmega328p"),
    ],
)
def test_the_only_board_there_is_meant(drive: Path, chip: str, port: str, drives: int, ports: int, found: str) -> None:
    way = find(chip, port, "", lambda: dict(list(PORTS.items())[:ports]), lambda: [drive][:drives])
    assert way.chip == found
    expected = str(drive) if found == "rp2040" else port or "/dev/ttyUSB0"
    assert way.place == expected
    assert expected in way.words


@pytest.mark.parametrize(
    ("chip", "drives", "ports", "error", "said"),
    [
        ("", 0, 0, SourceError, "no serial port on USB, no boot drive"),
        ("rp2040", 0, 2, SourceError, "no boot drive is mounted"),
        ("", 0, 2, SettingError, "--port /dev/ttyUSB1 .*more than one board|more than one board"),
        ("", 1, 1, SettingError, "more than one board"),
        ("m4", 0, 1, SettingError, "no firmware for 'm4'"),
    ],
)
def test_without_a_single_board_it_is_said_what_there_is(
    drive: Path, chip: str, drives: int, ports: int, error: type[HostError], said: str
) -> None:
    with pytest.raises(error, match=said):
        find(chip, "", "", lambda: dict(list(PORTS.items())[:ports]), lambda: [drive][:drives])


def test_a_drive_of_another_board_is_refused(drive: Path) -> None:
    (drive / "INFO_UF2.TXT").write_text(INFO.format(id="RP2350"))
    with pytest.raises(SourceError, match=r"its id is 'RP2350'.*nothing was written"):
        find("", "", str(drive))
    (drive / "INFO_UF2.TXT").write_bytes(os.urandom(100))
    with pytest.raises(SourceError, match="its id is 'missing'"):
        find("", "", str(drive))
    (drive / "INFO_UF2.TXT").unlink()
    with pytest.raises(SourceError, match=r"INFO_UF2\.TXT cannot be read"):
        find("", "", str(drive))
    with pytest.raises(SettingError, match="no boot drive"):
        find("atmega328p", "", str(drive))


def test_mounted_boot_drives_are_found_by_their_info_file(drive: Path, tmp_path: Path) -> None:
    other = tmp_path / "a stick"
    other.mkdir()
    table = tmp_path / "mounts"
    escaped = str(other).replace(" ", "\\040")
    table.write_text(f"/dev/sda1 {drive} vfat rw 0 0\n/dev/sdb1 {escaped} vfat rw 0 0\nx {tmp_path} tmpfs rw 0 0\n")
    assert boot_drive.mounted(table, tmp_path / "none") == [drive]
    (other / "INFO_UF2.TXT").write_text("x")
    assert boot_drive.mounted(table, tmp_path / "none") == [drive, other]
    assert boot_drive.mounted(tmp_path / "none", drive.parent) == [other, drive]
    assert boot_drive.opened(drive, table).device == Path("/dev/sda1")
    assert boot_drive.opened(drive, tmp_path / "none").device is None


@pytest.fixture
def boot_rom(drive: Path) -> Iterator[list[bytes]]:
    """Takes the drive away once the whole image is there, as the board does; yields what was on it."""
    taken: list[bytes] = []
    over = threading.Event()
    want = shipped("rp2040").content

    def watch() -> None:
        while not over.wait(0.01):
            target = drive / boot_drive.COPY_NAME
            if target.exists() and target.read_bytes() == want:
                taken.append(want)
                drive.rename(drive.with_name("gone"))
                return

    thread = threading.Thread(target=watch)
    thread.start()
    yield taken
    over.set()
    thread.join(10)


def test_an_image_is_copied_and_the_drive_goes_away(drive: Path, boot_rom: list[bytes]) -> None:
    steps: list[int] = []
    boot_drive.copy(boot_drive.opened(drive), shipped("rp2040"), lambda _what, done, _total: steps.append(done))
    assert boot_rom == [shipped("rp2040").content]
    assert steps[-1] == len(shipped("rp2040").content)


def test_a_board_that_does_not_restart_is_said(drive: Path) -> None:
    with pytest.raises(SourceError, match=r"is whole, but the board has not restarted.*boot button"):
        boot_drive.copy(boot_drive.opened(drive), shipped("rp2040"), quiet, gone_s=0.1)


def test_a_copy_that_reads_back_otherwise_is_said(drive: Path) -> None:
    def spoil(_what: str, done: int, total: int) -> None:
        if done == total:
            (drive / boot_drive.COPY_NAME).write_bytes(b"short")

    with pytest.raises(SourceError, match="reads back otherwise"):
        boot_drive.copy(boot_drive.opened(drive), shipped("rp2040"), spoil, gone_s=0.1)


def test_a_drive_that_is_pulled_out_while_copying_is_said(drive: Path) -> None:
    def full(_what: str, _done: int, _total: int) -> None:
        raise OSError(5, "Input/output error")

    with pytest.raises(SourceError, match=r"broke off after 8,192 of \d\d,\d+ bytes .*boot button"):
        boot_drive.copy(boot_drive.opened(drive), shipped("rp2040"), full, gone_s=0.1)


class Scripted(SerialPort):
    """A port whose other end gives these answers, one to each request."""

    def __init__(self, *answers: bytes) -> None:
        self.name = "port"
        self._answers = list(answers)

    def send(self, data: bytes) -> None:
        assert data.endswith(b"\x20")

    def receive(self, deadline: Deadline) -> bytes:
        return self._answers.pop(0) if self._answers else b""


OK = b"\x14\x10"
PAGE = bytes(range(PAGE_BYTES))
STOP = b"\xff\xcf" * 64


@pytest.mark.parametrize(
    ("answers", "said"),
    [
        ([b"\x15"], "broke off at the address of page 0: it said '15'"),
        ([OK, OK, OK, b"\x14" + b"\xff" * PAGE_BYTES + b"\x10"], "address 1h reads back as FFh, not CFh; .*worn out"),
        ([OK, OK, OK, b"\x14" + STOP + b"\x11"], "broke off at page 0"),
        ([OK, OK, OK, b"\x14" + STOP + b"\x10" + b"\x10"], "broke off at page 0"),
    ],
)
def test_a_boot_loader_that_answers_otherwise_is_said(answers: list[bytes], said: str) -> None:
    with pytest.raises(SourceError, match=said):
        BootLoader(Scripted(*answers)).write(PAGE * 2, quiet)


@pytest.mark.parametrize(
    ("signature", "name"), [("1e9514", "ATmega328,"), ("1e9801", "ATmega2560,"), ("000000", "a chip unknown here")]
)
def test_another_chip_is_refused_by_its_signature(signature: str, name: str) -> None:
    answer = b"\x14" + bytes.fromhex(signature) + b"\x10"
    with pytest.raises(SourceError, match=f"signature is {signature}: {name}.*nothing was written"):
        BootLoader(Scripted(answer)).expect_chip()
    BootLoader(Scripted(b"\x14\x1e\x95\x0f\x10")).expect_chip()
