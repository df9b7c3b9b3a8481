"""Conversations of earlier versions as they were recorded: what each end said, in order, frame by frame."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from pathlib import Path

from edgereply_protocol import (
    Bye,
    Frame,
    FrameReader,
    Message,
    Ping,
    Pong,
    decode_message,
    encode_frame,
    encode_message,
)

FOLDER = Path(__file__).parents[1] / "protocol_vectors/conversations"
NAMES = sorted(path.stem for path in FOLDER.glob("*.txt"))


@dataclass(frozen=True)
class Said:
    """One frame: by whom, and what."""

    who: str
    frame: Frame
    message: Message


def recorded(name: str) -> list[Said]:
    """A conversation; every frame is checked as it was sent, by sequence number and checksums."""
    readers = {"host": FrameReader(), "agent": FrameReader()}
    said = []
    for line in (FOLDER / f"{name}.txt").read_text("ascii").splitlines():
        if line.startswith("#"):
            continue
        who, kind, digits = line.split()
        readers[who].feed(bytes.fromhex(digits))
        frame = readers[who].next_frame()
        assert frame is not None
        message = decode_message(frame.type, frame.payload)
        assert type(message).__name__ == kind
        said.append(Said(who, frame, message))
    return said


class OldAgent:
    """A `ByteLink` to an agent of an earlier version: to each request it says, byte for byte, what it said then.

    Pings alone are answered afresh, as they come at any time.
    """

    def __init__(self, name: str) -> None:
        self.name = "old board"
        self.complaints = ""
        self.heard: list[Message] = []
        self._script = deque(said for said in recorded(name) if not isinstance(said.message, (Ping, Pong)))
        self._reader = FrameReader()
        self._sequence = 0
        self._out = b""

    def read(self, timeout_s: float) -> bytes | None:
        data, self._out = self._out, b""
        return data

    def write(self, data: bytes) -> None:
        self._reader.feed(data)
        while (frame := self._reader.next_frame()) is not None:
            message = decode_message(frame.type, frame.payload)
            self.heard.append(message)
            if isinstance(message, Ping):
                self._put(Pong.TYPE, encode_message(Pong(message.token, 1, 2)))
            elif not isinstance(message, Bye):
                self._answer(message)

    def close(self, grace_s: float = 5.0) -> int:
        return 0

    def _answer(self, message: Message) -> None:
        expected = self._script.popleft()
        assert expected.who == "host"
        assert type(expected.message) is type(message), (expected.message, message)
        while self._script and self._script[0].who == "agent":
            frame = self._script.popleft().frame
            self._put(frame.type, frame.payload)

    def _put(self, kind: int, payload: bytes) -> None:
        self._out += encode_frame(Frame(kind, self._sequence, payload))
        self._sequence += 1
