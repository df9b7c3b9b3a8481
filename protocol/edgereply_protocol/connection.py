"""One end of a link: bytes in, messages out, no I/O."""

from __future__ import annotations

from typing import Optional

from . import messages as m
from .errors import LocalError, RemoteError
from .framing import Frame, FrameReader, encode_frame
from .state import Role, State, after
from .version import NEWEST, OLDEST, negotiate


class Connection:
    """Frames, messages and legal order of one end. Not thread-safe.

    Feed received bytes with `receive_data`, take messages with `next_message` until it gives None, and write what
    `send` returns. After `RemoteError` the connection is closed and of no further use, save that an agent may still
    send a fatal `Fault` that says why. What was on its way when this end closed the link is dropped.
    """

    def __init__(self, role: Role, software: str) -> None:
        self.role = role
        self.state = State.GREETING
        self.version = 0
        self._software = software
        self._peer = Role.AGENT if role is Role.HOST else Role.HOST
        self._reader = FrameReader()
        self._sequence = 0
        self._left = False

    @property
    def skipped(self) -> bytes:
        """What came before the peer's first frame (a banner, an error of a shell), at most 4 kB."""
        return self._reader.unread() if not self._reader.synced else self._reader.skipped

    def hello(self, capabilities: Optional[m.Json] = None, environment: Optional[m.Json] = None) -> m.Hello:
        """The greeting of this end, to be sent before anything else; it need not wait for the peer's."""
        return m.Hello(self.role.value, self._software, OLDEST, NEWEST, capabilities or {}, environment or {})

    def send(self, message: m.Message) -> bytes:
        """Bytes that carry `message`.

        Raises:
            LocalError: not allowed now, or not encodable; nothing changed.
        """
        state = after(self.state, self.role, message)
        if state is None:
            raise LocalError(f"{type(message).__name__} is not allowed while the link is {self.state.value}")
        data = encode_frame(Frame(message.TYPE, self._sequence, m.encode_message(message)))
        self._sequence = (self._sequence + 1) & 0xFFFFFFFF
        self.state = state
        self._left = state is State.CLOSED
        return data

    def receive_data(self, data: bytes) -> None:
        """Add received bytes."""
        self._reader.feed(data)

    def receive_eof(self) -> None:
        """The stream ended; take what it brought with `next_message` first.

        Raises:
            RemoteError: it ended before `Bye`; the text shows what the far end printed instead of frames.
        """
        if self.state is State.CLOSED:
            return
        state, self.state = self.state, State.CLOSED
        where = f"the link ended while {state.value}"
        if self._reader.synced:
            held = self._reader.pending
            raise RemoteError(where + (f" inside a frame ({held} bytes of it came)" if held else ""))
        text = self._reader.unread().decode("utf-8", "replace")
        printed = "".join(c if c.isprintable() else " " for c in text).strip()
        raise RemoteError(where + (f"; the far end printed: {printed[-500:]}" if printed else ""))

    def next_message(self) -> Optional[m.Message]:
        """Take the next message.

        Returns:
            A message; None when more bytes are needed.

        Raises:
            RemoteError: damaged frames, bad messages, messages out of order.
            VersionMismatch: no common protocol version, or a message that only a newer one has.
        """
        try:
            frame = self._reader.next_frame()
            if self._left:
                while frame is not None:
                    frame = self._reader.next_frame()
            if frame is None:
                return None
            message = m.decode_message(frame.type, frame.payload)
            state = after(self.state, self._peer, message)
            if state is None:
                raise RemoteError(f"{type(message).__name__} came while the link was {self.state.value}")
            if isinstance(message, m.Hello):
                self._greet(message)
        except RemoteError:
            self.state = State.CLOSED
            raise
        self.state = state
        return message

    def _greet(self, hello: m.Hello) -> None:
        if hello.role != self._peer.value:
            raise RemoteError(f"the far end says it is {hello.role[:40]!r}, expected {self._peer.value!r}")
        # One wording at both ends, as the host may show what the agent says.
        software = "".join(c if c.isprintable() else " " for c in hello.software[:60])
        own = f"the {self.role.value} ({self._software})"
        self.version = negotiate(hello.oldest, hello.newest, f"the {hello.role} ({software})", own)
