"""The session's talk with its host: messages in and out, how long the host has been silent, and the last word to it."""

from __future__ import annotations

import time
from typing import Iterator

from edgereply_protocol import (
    Connection,
    Fault,
    Json,
    LocalError,
    Message,
    Role,
    State,
    VersionMismatch,
)

from . import __version__
from .errors import LinkLost
from .known import UPDATE_HINT
from .ring import board_ns
from .wire import Wire

GREETING_S = 60.0
FINISH_S = 2.0


class Conversation:
    """The agent's end of it, over a wire. Not thread-safe."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._link = Connection(Role.AGENT, f"edgereply-agent {__version__}")
        self._heard = time.monotonic()
        self._patience_s = 0.0  # for a host that went silent in the middle of a task; 0 where none did

    @property
    def state(self) -> State:
        """Where the conversation stands."""
        return self._link.state

    def hello(self, capabilities: Json, environment: Json) -> None:
        """Answer the host's greeting.

        Raises:
            RemoteError: there is no version of the protocol that both speak.
        """
        self.send(self._link.hello(capabilities, environment))

    def send(self, message: Message) -> None:
        """Put a message on the wire, as much as it takes now; the wire keeps the rest."""
        self._wire.put(self._link.send(message))

    def receive(self) -> Iterator[tuple[Message, int]]:
        """Take what can be read now.

        Returns:
            Messages one by one, each with the board's clock when it had been read, in ns.

        Raises:
            RemoteError: what came is no message, or the host hung up without a goodbye.
        """
        try:
            data = self._wire.read()
        except BlockingIOError:
            return
        received_ns = board_ns()
        if not data:
            self._link.receive_eof()
            return
        self._heard, self._patience_s = time.monotonic(), 0.0
        self._link.receive_data(data)
        while True:
            message = self._link.next_message()
            if message is None:
                return
            yield message, received_ns

    def left_s(self, limit_s: float) -> float:
        """Seconds until the host has been silent for so long; negative where it has been for longer."""
        return self._heard + limit_s - time.monotonic()

    def silent_s(self) -> float:
        """Seconds since something came from the host.

        Raises:
            LinkLost: too long without a greeting, or after `give_up_after`.
        """
        silent_s = time.monotonic() - self._heard
        if 0.0 < self._patience_s <= silent_s:
            raise LinkLost(f"no sign of life from the host for {silent_s:.0f} s: given up")
        if self._link.state is State.GREETING and silent_s >= GREETING_S:
            raise LinkLost(f"no greeting within {GREETING_S:.0f} s")
        return silent_s

    def give_up_after(self, patience_s: float) -> None:
        """Bear so long a silence and no longer; the next sign of life ends that."""
        self._patience_s = float(patience_s)

    def last_word(self, error: Exception) -> None:
        """Tell the host why, in case it still listens."""
        if isinstance(error, LinkLost) and self._link.state is State.CLOSED:
            return
        remedy = "start the agent again"
        if isinstance(error, VersionMismatch):
            remedy = "update edgereply on the computer" if error.peer_is_older else UPDATE_HINT
        fault = Fault("internal", str(error), "link", remedy, True)
        try:
            self.send(fault)
            self._wire.finish(FINISH_S)
        except (LinkLost, LocalError):
            pass
