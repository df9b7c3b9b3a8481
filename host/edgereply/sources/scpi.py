"""Program messages and answers of IEEE 488.2 and SCPI-99, without any I/O."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

DEVICE_CLEAR = b"\x03"
MESSAGE_LIMIT = 128
BLOCK_LIMIT = 90

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d{1,3})?", re.IGNORECASE | re.ASCII)
_ERROR = re.compile(r'([+-]?\d{1,6}),"((?:[^"]|"")*)"', re.ASCII)


class ScpiError(ValueError):
    """What an instrument sent is not what the standard or its command set allows."""


@dataclass(frozen=True, slots=True)
class ErrorEntry:
    """One entry of an error queue; code 0 says there is none."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"'


@dataclass(frozen=True, slots=True)
class Identification:
    """The four fields of an answer to ``*IDN?``."""

    maker: str
    model: str
    serial: str
    firmware: str


def message(*commands: str, limit: int = MESSAGE_LIMIT) -> bytes:
    """Join commands to one program message.

    Args:
        commands: each with its parameters, e.g. ``PULS:COUN 100``.
        limit: the most bytes the instrument takes, without the line feed.

    Returns:
        The bytes to send, with the line feed.

    Raises:
        ValueError: not printable ASCII, empty, or too long.
    """
    text = ";".join(commands)
    if not text or not text.isascii() or not text.isprintable():
        raise ValueError(f"not a program message: {text!r}")
    if len(text) > limit:
        raise ValueError(f"{len(text)} bytes are more than the {limit} one message may have: {text[:60]!r}...")
    return text.encode("ascii") + b"\n"


def seconds(duration_ns: int) -> str:
    """Returns: a duration in ns as a decimal number of seconds, exact."""
    return f"{duration_ns}E-9"


def parse_line(line: bytes) -> str:
    """Returns: an answer without its line end, as text.

    Raises:
        ScpiError: bytes that are not printable ASCII.
    """
    text = line.rstrip(b"\r\n").decode("latin-1").strip(" ")
    if not text.isascii() or not text.isprintable():
        raise ScpiError(f"not an answer in ASCII: {printable(line)!r}")
    return text


def parse_number(text: str) -> Decimal:
    """Returns: an NR1, NR2 or NR3 number.

    Raises:
        ScpiError: something else.
    """
    if not _NUMBER.fullmatch(text):
        raise ScpiError(f"not a number: {text[:60]!r}")
    try:
        return Decimal(text)
    except InvalidOperation as error:  # pragma: no cover - the pattern allows only what Decimal takes
        raise ScpiError(f"not a number: {text[:60]!r}") from error


def parse_integer(text: str) -> int:
    """Returns: a whole number.

    Raises:
        ScpiError: something else.
    """
    value = parse_number(text)
    if value != value.to_integral_value():
        raise ScpiError(f"not a whole number: {text[:60]!r}")
    return int(value)


def parse_identification(text: str) -> Identification:
    """Returns: the answer to ``*IDN?`` in its four fields.

    Raises:
        ScpiError: not four fields.
    """
    fields = [field.strip() for field in text.split(",")]
    if len(fields) != 4:
        raise ScpiError(f"an identification has four fields, this one {len(fields)}: {text[:60]!r}")
    return Identification(*fields)


def parse_error(text: str) -> ErrorEntry:
    """Returns: the answer to ``SYSTem:ERRor?``.

    Raises:
        ScpiError: not a number and a quoted text.
    """
    match = _ERROR.fullmatch(text)
    if not match:
        raise ScpiError(f"not an entry of an error queue: {text[:60]!r}")
    return ErrorEntry(int(match[1]), match[2].replace('""', '"'))


def printable(data: bytes, most: int = 60) -> str:
    """Returns: the printable ASCII in data, other bytes as dots, at most so many characters."""
    return "".join(chr(byte) if 32 <= byte < 127 else "." for byte in data[:most])


class BlockStream:
    """Reads one response message of definite-length blocks separated by commas.

    An empty block says that the stream is over. A block is handed out only when the byte after it
    is right: bytes that crept in or got lost inside a block show there.

    Args:
        block_limit: the most bytes one block may have; the receive buffer is bounded by it.

    Attributes:
        over: True once the empty block and the line feed after it were read.
    """

    def __init__(self, block_limit: int = BLOCK_LIMIT) -> None:
        self.over = False
        self._limit = block_limit
        self._buffer = bytearray()

    @property
    def rest(self) -> bytes:
        """Returns: bytes that belong to no whole block; after the end, what followed the message."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> list[bytes]:
        """Take bytes as they come.

        Args:
            data: any number of bytes.

        Returns:
            The contents of the blocks these bytes complete; the empty one is not among them.

        Raises:
            DamagedStreamError: the stream is damaged; its ``good`` holds the blocks before the damage.
        """
        self._buffer += data
        blocks: list[bytes] = []
        try:
            while not self.over:
                taken = self._take()
                if taken is None:
                    break
                if taken:
                    blocks.append(taken)
        except ScpiError as error:
            raise DamagedStreamError(str(error), blocks) from error
        return blocks

    def _take(self) -> bytes | None:
        buffer = self._buffer
        if not buffer:
            return None
        if buffer[0] != 0x23:
            raise ScpiError(f"a block starts with #, this one with {printable(bytes(buffer[:20]))!r}")
        if len(buffer) < 2:
            return None
        digits = buffer[1] - 0x30
        if not 1 <= digits <= 9:
            raise ScpiError(f"a block of definite length says its digits, this one {printable(bytes(buffer[:20]))!r}")
        header = bytes(buffer[2 : 2 + digits])
        if header and not header.isdigit():
            raise ScpiError(f"not a block length: {printable(header)!r}")
        if len(header) < digits:
            return None
        length = int(header)
        if length > self._limit:
            raise ScpiError(f"a block of {length} bytes is longer than the {self._limit} allowed")
        end = 2 + digits + length
        if len(buffer) <= end:
            return None
        follows = bytes(buffer[end : end + 1])
        if length == 0 and follows == b"\r":
            if len(buffer) < end + 2:
                return None
            end += 1
            follows = bytes(buffer[end : end + 1])
        if follows != (b"," if length else b"\n"):
            raise ScpiError(f"after a block of {length} bytes came {printable(follows)!r}")
        content = bytes(buffer[2 + digits : 2 + digits + length])
        del buffer[: end + 1]
        self.over = length == 0
        return content


class DamagedStreamError(ScpiError):
    """A response message broke off its form.

    Attributes:
        good: contents of the blocks that the same bytes had completed before.
    """

    def __init__(self, text: str, good: list[bytes]) -> None:
        super().__init__(text)
        self.good = good
