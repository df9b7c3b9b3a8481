"""Firmware as Intel HEX: lines of records, each with a checksum.

Source: Intel Hexadecimal Object File Format Specification, revision A, 1988 (from memory; the tests hold the parser
against binutils' objcopy). Records of data, end of file, extended segment and linear addresses, and start addresses,
which a boot loader has no use for.
"""

from __future__ import annotations

from edgereply.errors import DataError

_DATA, _END, _SEGMENT, _START_SEGMENT, _LINEAR, _START_LINEAR = range(6)
_LENGTHS = {_END: 0, _SEGMENT: 2, _START_SEGMENT: 4, _LINEAR: 2, _START_LINEAR: 4}
ERASED = 0xFF


def parse(text: str, limit: int, where: str) -> bytes:
    """Read an image.

    Args:
        text: the file.
        limit: bytes that a program may take, from address 0 on; what lies behind belongs to the boot loader.
        where: the file's name, for errors.

    Returns:
        The bytes from address 0 on; what no record names is as erased flash reads, FFh.

    Raises:
        DataError: not Intel HEX, damaged, cut off, a byte given twice, or beyond the limit.
    """
    image: dict[int, int] = {}
    base = 0
    ended = False
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        if ended:
            raise _damaged(f"line {number} comes after the end-of-file record", where)
        kind, address, data = _record(line.strip(), number, where)
        if kind == _DATA:
            _place(image, base + address, data, limit, f"{where}, line {number}")
        elif kind in (_SEGMENT, _LINEAR):
            base = int.from_bytes(data, "big") << (4 if kind == _SEGMENT else 16)
        ended = kind == _END
    if not ended:
        raise _damaged("the end-of-file record is missing: the file is cut off", where)
    if not image:
        raise _damaged("no record holds any data", where)
    return bytes(image.get(at, ERASED) for at in range(max(image) + 1))


def _record(line: str, number: int, where: str) -> tuple[int, int, bytes]:
    """Kind, address and data of one line."""
    try:
        if not line.startswith(":") or not line.isascii():
            raise ValueError
        # fromhex would let spaces pass.
        raw = bytes.fromhex(line[1:]) if line[1:].isalnum() else b""
        if len(raw) < 5 or len(raw) != raw[0] + 5:
            raise ValueError
    except ValueError:
        raise _damaged(f"line {number} is no record of Intel HEX", where) from None
    if sum(raw) & 0xFF:
        raise _damaged(f"the checksum of line {number} is wrong", where)
    kind, data = raw[3], raw[4:-1]
    if kind > _START_LINEAR or len(data) != _LENGTHS.get(kind, len(data)):
        raise _damaged(f"line {number} is a record of no known kind", where)
    return kind, int.from_bytes(raw[1:3], "big"), data


def _place(image: dict[int, int], address: int, data: bytes, limit: int, where: str) -> None:
    if address + len(data) > limit:
        raise DataError(
            f"the program reaches up to {address + len(data):X}h, beyond {limit:X}h where the boot loader may begin",
            where=where,
            remedy="this image is for another chip, or to be written without a boot loader",
        )
    for at, byte in enumerate(data, start=address):
        if at in image:
            raise _damaged(f"address {at:X}h is given twice", where)
        image[at] = byte


def _damaged(what: str, where: str) -> DataError:
    return DataError(f"the image is damaged: {what}", where=where, remedy="build or fetch it again")
