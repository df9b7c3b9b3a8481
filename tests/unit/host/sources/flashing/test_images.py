"""Images of firmware: what the parsers take is what binutils and the builder say; whatever is wrong is said."""

from __future__ import annotations

import fnmatch
import importlib.util
import random
import shutil
import struct
import subprocess
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgereply.errors import DataError, SettingError
from edgereply.sources.flashing import firmware, intel_hex, uf2
from tests.tools import need

ROOT = Path(__file__).parents[5]
LIMIT = firmware.ATMEGA328P_PROGRAM_BYTES


def record(kind: int, address: int, data: bytes) -> str:
    raw = bytes([len(data)]) + address.to_bytes(2, "big") + bytes([kind]) + data
    return f":{(raw + bytes([-sum(raw) & 0xFF])).hex().upper()}"


END = record(1, 0, b"")


def as_hex(image: bytes, step: int = 16) -> list[str]:
    return [*(record(0, at, image[at : at + step]) for at in range(0, len(image), step)), END]


@given(st.binary(min_size=1, max_size=600), st.integers(1, 255), st.randoms(use_true_random=False))
def test_records_of_any_length_in_any_order_are_the_image(image: bytes, step: int, order: random.Random) -> None:
    lines = as_hex(image, step)
    body = lines[:-1]
    order.shuffle(body)
    assert intel_hex.parse("\r\n".join([*body, END]), LIMIT, "x.hex") == image


@given(st.binary(min_size=1, max_size=200), st.data())
def test_one_changed_digit_is_always_seen(image: bytes, data: st.DataObject) -> None:
    lines = as_hex(image)
    number = data.draw(st.integers(0, len(lines) - 1))
    line = lines[number]
    at = data.draw(st.integers(1, len(line) - 1))
    digit = data.draw(st.sampled_from("0123456789ABCDEFgz: "))
    if digit == line[at]:
        return
    lines[number] = line[:at] + digit + line[at + 1 :]
    with pytest.raises(DataError, match="damaged"):
        intel_hex.parse("\n".join(lines), LIMIT, "x.hex")


@given(st.binary(min_size=1, max_size=200), st.data())
def test_a_file_that_was_cut_off_is_always_seen(image: bytes, data: st.DataObject) -> None:
    text = "\n".join(as_hex(image))
    with pytest.raises(DataError, match="damaged"):
        intel_hex.parse(text[: data.draw(st.integers(0, len(text) - 1))], LIMIT, "x.hex")


@given(st.binary(max_size=300))
def test_any_bytes_are_an_image_or_refused(data: bytes) -> None:
    for chip in firmware.CHIPS:
        with pytest.raises(DataError):
            firmware.program_of(chip, data, "x")


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([record(0, 0, b"ab"), record(0, 1, b"c"), END], "address 1h is given twice"),
        ([record(0, LIMIT - 1, b"ab"), END], "up to 7001h, beyond 7000h where the boot loader may begin"),
        ([record(4, 0, b"\0\1"), record(0, 0, b"a"), END], "up to 10001h, beyond 7000h"),
        ([record(2, 0, b"\x10\0"), record(0, 0, b"a"), END], "up to 10001h, beyond 7000h"),
        ([record(0, 0, b"a")], "end-of-file record is missing"),
        ([END, record(0, 0, b"a")], "line 2 comes after the end"),
        ([record(6, 0, b"a"), END], "line 1 is a record of no known kind"),
        ([record(4, 0, b"a"), END], "line 1 is a record of no known kind"),
        ([record(0, 0, b"a")[:-2] + "00", END], "checksum of line 1"),
        (["hello", END], "line 1 is no record"),
        ([END], "no record holds any data"),
    ],
)
def test_what_is_wrong_with_a_hex_file_is_said(lines: list[str], said: str) -> None:
    with pytest.raises(DataError, match=said):
        intel_hex.parse("\n".join(lines), LIMIT, "x.hex")


def test_start_addresses_and_gaps() -> None:
    lines = [record(3, 0, bytes(4)), record(0, 0, b"a"), record(0, 3, b"b"), record(5, 0, bytes(4)), END]
    assert intel_hex.parse("\n".join(lines), LIMIT, "x.hex") == b"a\xff\xffb"


@pytest.mark.rig
def test_the_shipped_hex_is_what_binutils_makes_of_it(tmp_path: Path) -> None:
    need("avr-objcopy", "binutils-avr")
    found = firmware.shipped("atmega328p")
    command = ["avr-objcopy", "-I", "ihex", "-O", "binary", str(found.path), str(tmp_path / "bin")]
    subprocess.run(command, check=True, timeout=60)
    assert found.program == (tmp_path / "bin").read_bytes()
    assert len(found.program) > 10_000


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(Path(name).stem, ROOT / "examples" / name)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def image() -> ModuleType:
    return script("pulse-source-rp2040/image.py")


@given(data=st.binary(min_size=1, max_size=2000))
def test_a_uf2_that_the_builder_made_is_read(image: ModuleType, data: bytes) -> None:
    assert uf2.parse(image.uf2(data), "x.uf2").rstrip(b"\0") == data.rstrip(b"\0")


@given(blocks=st.integers(2, 6), cut=st.data())
def test_a_uf2_that_was_cut_off_or_mixed_is_seen(image: ModuleType, blocks: int, cut: st.DataObject) -> None:
    whole: bytes = image.uf2(bytes(range(256)) * blocks)
    length = cut.draw(st.integers(0, len(whole) - 1))
    with pytest.raises(DataError, match="damaged"):
        uf2.parse(whole[:length], "x.uf2")
    number = cut.draw(st.integers(1, blocks - 1)) * 512
    with pytest.raises(DataError, match="damaged"):
        uf2.parse(whole[number:] + whole[:number], "x.uf2")


FIELDS = {
    "first": 0,
    "second": 4,
    "flags": 8,
    "address": 12,
    "size": 16,
    "number": 20,
    "total": 24,
    "family": 28,
    "last": 508,
}


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("first", 0, "block 1 is no block"),
        ("second", 0, "block 1 is no block"),
        ("last", 0, "block 1 is no block"),
        ("flags", 0x2001, "block 1 holds nothing for the flash"),
        ("size", 476, "block 1 holds nothing for the flash"),
        ("number", 2, "says that it is 2 of 3"),
        ("total", 4, "says that it is 1 of 4: the file is cut off"),
        ("family", 0xE48BFF59, "its family is E48BFF59h, that of the RP2040 E48BFF56h"),
        ("flags", 0, "its family is none"),
        ("address", 0x2000_0000, "20000000h, which is not in the flash"),
        ("address", 0x1020_0000, "10200000h, which is not in the flash"),
        ("address", 0x1000_0000, "overlaps another or leaves a gap at 10000000h"),
        ("address", 0x1000_0200, "overlaps another or leaves a gap"),
    ],
)
def test_what_is_wrong_with_a_uf2_is_said(image: ModuleType, field: str, value: int, said: str) -> None:
    data = bytearray(image.uf2(bytes(768)))
    struct.pack_into("<I", data, 512 + FIELDS[field], value)
    with pytest.raises(DataError, match=said):
        uf2.parse(bytes(data), "x.uf2")


def test_an_image_that_is_not_the_shipped_one_is_refused(tmp_path: Path) -> None:
    shutil.copytree(firmware.IMAGES, tmp_path / "images")
    path = tmp_path / "images/rp2040.uf2"
    assert firmware.shipped("rp2040", path.parent).content == path.read_bytes()
    path.write_bytes(path.read_bytes()[:-1] + b"\0")
    with pytest.raises(DataError, match="its hash differs"):
        firmware.shipped("rp2040", path.parent)
    path.unlink()
    with pytest.raises(DataError, match="is not there"):
        firmware.shipped("rp2040", path.parent)
    with pytest.raises(SettingError, match="no firmware for 'esp'"):
        firmware.shipped("esp")
    with pytest.raises(DataError, match="cannot be read"):
        firmware.own("rp2040", path)


@pytest.mark.rig
@pytest.mark.parametrize("chip", firmware.CHIPS)
def test_the_shipped_images_are_what_the_sources_make(chip: str, tmp_path: Path) -> None:
    """Built anew, elsewhere; `python examples/ship_firmware.py` ships a change of the sources."""
    need("make", "make")
    need("avr-gcc", "gcc-avr", "binutils-avr", "avr-libc")
    need("/usr/lib/avr/include/avr/io.h", "avr-libc")
    need("arm-none-eabi-gcc", "gcc-arm-none-eabi", "binutils-arm-none-eabi")
    ship = script("ship_firmware.py")
    shipped = firmware.shipped(chip)
    assert shipped.version == ship.version(chip)
    assert f'compiler = "{ship.compiler(chip)}"' in (firmware.IMAGES / firmware.MANIFEST).read_text(), (
        "another compiler"
    )
    assert ship.build(chip, tmp_path) == shipped.content


def test_the_images_go_into_the_package() -> None:
    """What `pip wheel` takes along is what these patterns match."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]
    files = [path.name for path in firmware.IMAGES.iterdir()]
    assert len(files) == 3
    for name in files:
        assert any(fnmatch.fnmatch(name, pattern) for pattern in settings["package-data"]["*"]), name
