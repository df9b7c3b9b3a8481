"""Firmware as UF2: blocks of 512 bytes, each with its address and the chip's family.

The layout is from memory of the format's public description; the tests hold it against the image that
`examples/pulse-source-rp2040/image.py` makes, and that one is run in an emulator from its first instruction on.
"""

from __future__ import annotations

import struct

from edgereply.errors import DataError

BLOCK_BYTES = 512
RP2040_FAMILY = 0xE48BFF56
FLASH_START, FLASH_BYTES = 0x1000_0000, 2 << 20  # the smallest flash chip that boards of this kind have
_FIRST, _SECOND, _LAST = 0x0A324655, 0x9E5D5157, 0x0AB16F30
_HAS_FAMILY, _NOT_FOR_FLASH = 0x2000, 0x0001
_PAYLOAD = 256  # what the boot ROM takes


def parse(data: bytes, where: str) -> bytes:
    """Read an image for the RP2040, and make sure that its boot ROM will take every block of it.

    Args:
        data: the file.
        where: its name, for errors.

    Returns:
        The flash from its beginning on, without gaps.

    Raises:
        DataError: damaged, cut off, for another family of chips, or not one piece from the beginning of the flash.
    """
    if not data or len(data) % BLOCK_BYTES:
        raise _damaged(f"{len(data)} bytes are no whole number of blocks of {BLOCK_BYTES}: the file is cut off", where)
    total = len(data) // BLOCK_BYTES
    image = bytearray()
    for number in range(total):
        block = data[number * BLOCK_BYTES : (number + 1) * BLOCK_BYTES]
        image += _payload(block, number, total, where)
    return bytes(image)


def _payload(block: bytes, number: int, total: int, where: str) -> bytes:
    first, second, flags, address, size, own, all_, family = struct.unpack_from("<8I", block)
    (last,) = struct.unpack_from("<I", block, BLOCK_BYTES - 4)
    if (first, second, last) != (_FIRST, _SECOND, _LAST):
        raise _damaged(f"block {number} is no block of UF2", where)
    if not flags & _HAS_FAMILY or family != RP2040_FAMILY:
        named = f"{family:08X}h" if flags & _HAS_FAMILY else "none"
        raise DataError(
            f"the image is for another chip: its family is {named}, that of the RP2040 {RP2040_FAMILY:08X}h",
            where=where,
            remedy="take the image for the RP2040",
        )
    if flags & _NOT_FOR_FLASH or size != _PAYLOAD:
        raise _damaged(f"block {number} holds nothing for the flash", where)
    if all_ != total or own != number:
        raise _damaged(
            f"block {number} of {total} says that it is {own} of {all_}: the file is cut off or mixed", where
        )
    if not FLASH_START <= address <= FLASH_START + FLASH_BYTES - size:
        raise _damaged(f"block {number} is for {address:X}h, which is not in the flash", where)
    if address != FLASH_START + number * _PAYLOAD:
        raise _damaged(f"block {number} overlaps another or leaves a gap at {address:X}h", where)
    return block[32 : 32 + size]


def _damaged(what: str, where: str) -> DataError:
    return DataError(f"the image is damaged: {what}", where=where, remedy="build or fetch it again")
