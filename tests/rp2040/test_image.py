"""What is flashed: the second-stage boot's checksum, the UF2 blocks, and what the boot writes."""

from __future__ import annotations

import importlib.util
import struct
import subprocess
import sys
import zlib
from pathlib import Path
from types import ModuleType

import pytest

from tests.rp2040.build import PULSE_SOURCE, firmware
from tests.tools import need

SCRIPT = PULSE_SOURCE[0] / "image.py"


@pytest.fixture(scope="module")
def image() -> ModuleType:
    spec = importlib.util.spec_from_file_location("image", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def turned(value: int, bits: int) -> int:
    return int(f"{value:0{bits}b}"[::-1], 2)


def crc32_by_zlib(data: bytes) -> int:
    """The checksum from zlib's, which has the same polynomial with bits turned round and the result inverted."""
    return turned(zlib.crc32(bytes(turned(byte, 8) for byte in data)) ^ 0xFFFF_FFFF, 32)


def test_the_checksum_is_the_one_of_that_name(image: ModuleType) -> None:
    assert image.crc32(b"123456789") == 0x0376_E6E7  # CRC-32/MPEG-2's check value, from memory; zlib agrees
    for data in (b"", b"\0", b"123456789", bytes(range(256))):
        assert image.crc32(data) == crc32_by_zlib(data)


@pytest.mark.rig
def test_the_flash_begins_with_a_boot_that_the_rom_accepts() -> None:
    flash = (firmware() / "pulse-source.bin").read_bytes()
    assert struct.unpack("<I", flash[252:256])[0] == crc32_by_zlib(flash[:252])
    stack, reset = struct.unpack("<2I", flash[256:264])
    assert stack == 0x2004_2000  # the end of the chip's RAM, from memory
    assert reset & 1, "no Thumb address"
    assert 0x1000_0100 < reset < 0x1000_0000 + len(flash)


@pytest.mark.rig
def test_the_uf2_holds_exactly_the_flash() -> None:
    folder = firmware()
    flash, blocks = (folder / "pulse-source.bin").read_bytes(), (folder / "pulse-source.uf2").read_bytes()
    assert len(blocks) % 512 == 0
    found = b""
    for number in range(len(blocks) // 512):
        head = struct.unpack_from("<8I", blocks, 512 * number)
        # Magic numbers, flag and family of the UF2 layout, from memory.
        address = 0x1000_0000 + 256 * number
        expected = (0x0A32_4655, 0x9E5D_5157, 0x2000, address, 256, number, len(blocks) // 512, 0xE48B_FF56)
        assert head == expected
        assert blocks[512 * number + 508 : 512 * number + 512] == bytes.fromhex("306fb10a")
        found += blocks[512 * number + 32 : 512 * number + 32 + 256]
    assert found.rstrip(b"\0") == flash.rstrip(b"\0")
    assert len(found) - len(flash) < 256


def test_a_boot_that_does_not_fit_is_refused(tmp_path: Path) -> None:
    for name, size in (("boot2", 253), ("rest", 8)):
        (tmp_path / name).write_bytes(bytes(size))
    command = [sys.executable, str(SCRIPT), *(str(tmp_path / name) for name in ("boot2", "rest", "bin", "uf2"))]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 2
    assert done.stderr == "image.py: the second-stage boot has 253 bytes; 252 fit\n"
    done = subprocess.run(command[:2], capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr[:6]) == (2, "usage:")


@pytest.mark.rig
def test_nothing_of_the_running_firmware_lies_in_flash() -> None:
    """An access to the flash chip may take microseconds; only what runs before main() may need one."""
    need("arm-none-eabi-nm", "binutils-arm-none-eabi")
    command = ["arm-none-eabi-nm", str(firmware() / "pulse-source.elf")]
    listing = subprocess.run(command, capture_output=True, text=True, check=True, timeout=60).stdout
    rows = [line.split() for line in listing.splitlines() if len(line.split()) == 3]
    in_flash = {name for address, _, name in rows if 0x1000_0000 <= int(address, 16) < 0x1100_0000}
    assert in_flash - {"__main_veneer"} == {"second_stage", "first_vectors", "reset", "ram_image"}
    assert "main" in {name for address, _, name in rows if int(address, 16) >= 0x2000_0000}
