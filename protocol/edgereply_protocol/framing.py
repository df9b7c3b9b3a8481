"""Frames on a byte stream: marker, header with its own check, payload, CRC-32.

Layout, little-endian::

    marker   4  F5 'E' 'R' 1A
    type     1  message type
    version  1  frame layout version, 1
    check    2  CRC-16/CCITT-FALSE (also named CRC-16/IBM-3740) over type, version, sequence, length
    sequence 4  counts frames sent, from 0
    length   4  payload bytes
    payload
    crc      4  CRC-32 over everything after the marker

The header's own check lets a receiver reject a damaged length at once instead of waiting for bytes that never come.
"""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass
from typing import NoReturn, Optional

from .errors import LocalError, RemoteError

MARKER = b"\xf5ER\x1a"
LAYOUT = 1
MAX_PAYLOAD = 1 << 20
MAX_PREAMBLE = 1 << 18

_HEADER = struct.Struct("<4sBBHII")
_CHECKED = struct.Struct("<BBII")
_CRC = struct.Struct("<I")
OVERHEAD = _HEADER.size + _CRC.size


@dataclass(frozen=True)
class Frame:
    """One frame: message type (0-255), sequence number (modulo 2**32), payload."""

    type: int
    sequence: int
    payload: bytes


def encode_frame(frame: Frame) -> bytes:
    """Put a frame into bytes.

    Raises:
        LocalError: the payload is larger than `MAX_PAYLOAD`, or a number does not fit its place.
    """
    size = len(frame.payload)
    if not (0 <= frame.type <= 0xFF and 0 <= frame.sequence <= 0xFFFFFFFF):
        raise LocalError(f"type {frame.type} or sequence number {frame.sequence} does not fit a frame")
    if size > MAX_PAYLOAD:
        raise LocalError(f"a payload of {size} bytes exceeds the limit of {MAX_PAYLOAD}: send it in parts")
    check = binascii.crc_hqx(_CHECKED.pack(frame.type, LAYOUT, frame.sequence, size), 0xFFFF)
    head = _HEADER.pack(MARKER, frame.type, LAYOUT, check, frame.sequence, size)
    crc = binascii.crc32(frame.payload, binascii.crc32(head[4:]))
    return b"".join((head, frame.payload, _CRC.pack(crc)))


class FrameReader:
    """Find frames in a stream of bytes. Does no I/O; not thread-safe.

    Until the first whole frame, anything that is not a frame (login banners, shell greetings) is skipped and kept
    in `skipped` (its last 4 kB) for error messages. After it, the stream must hold frames only. Once it has raised,
    a reader takes nothing more and raises the same again.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._synced = False
        self._expected = 0
        self._preamble = 0
        self._broken = ""
        self.skipped = b""

    @property
    def synced(self) -> bool:
        """True once a whole frame was seen."""
        return self._synced

    @property
    def pending(self) -> int:
        """Bytes held that do not make a whole frame yet."""
        return len(self._buffer)

    def feed(self, data: bytes) -> None:
        """Add received bytes.

        They are held until `next_frame` takes them out, however many they are: call it until it gives None before
        feeding more, and no more than one frame (`OVERHEAD` + `MAX_PAYLOAD` bytes) is ever held.
        """
        if not self._broken:
            self._buffer += data

    def unread(self) -> bytes:
        """The last bytes that made no frame, at most 4 kB: `skipped` and what is still held."""
        return (self.skipped + bytes(self._buffer[-4096:]))[-4096:]

    def next_frame(self) -> Optional[Frame]:
        """Take the next whole frame.

        Returns:
            A frame, or None when more bytes are needed.

        Raises:
            RemoteError: damaged, oversized or missing frames, or no frame within `MAX_PREAMBLE` bytes.
        """
        if self._broken:
            raise RemoteError(self._broken)
        while True:
            if not self._synced:
                self._skip_to_marker()
            problem, frame = self._try_frame()
            if problem is None:
                return frame
            if self._synced:
                self._give_up(f"{problem} in frame {self._expected}: something else wrote into the link")
            self._skip(1)

    def _try_frame(self) -> tuple[Optional[str], Optional[Frame]]:
        # A few stray bytes are refused at once, not when sixteen have come.
        if not MARKER.startswith(bytes(self._buffer[: len(MARKER)])):
            return "no frame marker", None
        if len(self._buffer) < _HEADER.size:
            return None, None
        _, kind, layout, check, sequence, size = _HEADER.unpack_from(self._buffer)
        if check != binascii.crc_hqx(_CHECKED.pack(kind, layout, sequence, size), 0xFFFF):
            return "damaged header", None
        if layout != LAYOUT:
            return f"unknown frame layout {layout}", None
        if size > MAX_PAYLOAD:
            return f"payload of {size} bytes over the limit of {MAX_PAYLOAD}", None
        if sequence != self._expected:
            return f"sequence number {sequence}", None
        end = _HEADER.size + size
        if len(self._buffer) < end + _CRC.size:
            return None, None
        (crc,) = _CRC.unpack_from(self._buffer, end)
        with memoryview(self._buffer) as view:
            computed = binascii.crc32(view[4:end])
            payload = bytes(view[_HEADER.size : end])
        if crc != computed:
            return "checksum mismatch", None
        del self._buffer[: end + _CRC.size]
        self._synced = True
        self._expected = (sequence + 1) & 0xFFFFFFFF
        return None, Frame(kind, sequence, payload)

    def _skip_to_marker(self) -> None:
        found = self._buffer.find(MARKER)
        self._skip(found if found >= 0 else max(0, len(self._buffer) - len(MARKER) + 1))

    def _skip(self, count: int) -> None:
        self.skipped = (self.skipped + bytes(self._buffer[:count]))[-4096:]
        del self._buffer[:count]
        self._preamble += count
        if self._preamble > MAX_PREAMBLE:
            self._give_up(f"no frame within {MAX_PREAMBLE} bytes: the far end is not the agent")

    def _give_up(self, reason: str) -> NoReturn:
        self._broken = reason
        self._buffer.clear()
        raise RemoteError(reason)
