"""Makes what is flashed: the second-stage boot gets its checksum, and the image its UF2 blocks.

usage: image.py BOOT2.bin REST.bin IMAGE.bin IMAGE.uf2

Layouts are from memory: the boot ROM's check of the first 256 bytes (CRC-32 with polynomial 04C11DB7h, all ones at the
start, nothing reflected or inverted, little-endian in the last four bytes), and UF2's blocks of 512 bytes.
"""

from __future__ import annotations

import struct
import sys
from pathlib import Path

FLASH = 0x1000_0000
BOOT2_BYTES = 256
POLYNOMIAL = 0x04C1_1DB7
UF2_PAYLOAD = 256
UF2_FIRST, UF2_SECOND, UF2_LAST = 0x0A32_4655, 0x9E5D_5157, 0x0AB1_6F30
UF2_HAS_FAMILY = 0x2000
FAMILY_RP2040 = 0xE48B_FF56


def crc32(data: bytes) -> int:
    """Returns: the checksum that the boot ROM computes."""
    crc = 0xFFFF_FFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = crc << 1 ^ (POLYNOMIAL if crc & 0x8000_0000 else 0)
            crc &= 0xFFFF_FFFF
    return crc


def flash_image(boot2: bytes, rest: bytes) -> bytes:
    """Returns: the bytes from the beginning of the flash on.

    Raises:
        ValueError: the second-stage boot does not fit.
    """
    room = BOOT2_BYTES - 4
    if len(boot2) > room:
        raise ValueError(f"the second-stage boot has {len(boot2)} bytes; {room} fit")
    padded = boot2.ljust(room, b"\0")
    return padded + struct.pack("<I", crc32(padded)) + rest


def uf2(image: bytes) -> bytes:
    """Returns: the image in blocks that the boot ROM's mass storage takes."""
    payloads = [image[at : at + UF2_PAYLOAD].ljust(UF2_PAYLOAD, b"\0") for at in range(0, len(image), UF2_PAYLOAD)]
    blocks = []
    for number, payload in enumerate(payloads):
        address = FLASH + number * UF2_PAYLOAD
        head = (UF2_FIRST, UF2_SECOND, UF2_HAS_FAMILY, address, UF2_PAYLOAD, number, len(payloads), FAMILY_RP2040)
        blocks.append(struct.pack("<8I", *head) + payload.ljust(476, b"\0") + struct.pack("<I", UF2_LAST))
    return b"".join(blocks)


def main(arguments: list[str]) -> int:
    """Reads two files and writes two."""
    if len(arguments) != 4:
        print("usage: image.py BOOT2.bin REST.bin IMAGE.bin IMAGE.uf2", file=sys.stderr)
        return 2
    boot2, rest, plain, blocks = map(Path, arguments)
    try:
        image = flash_image(boot2.read_bytes(), rest.read_bytes())
        plain.write_bytes(image)
        blocks.write_bytes(uf2(image))
    except (OSError, ValueError) as error:
        print(f"image.py: {error}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
