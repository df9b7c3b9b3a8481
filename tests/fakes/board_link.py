"""An agent without a board: answers the host's frames in this process, by the real protocol."""

from collections.abc import Callable
from typing import Any

from edgereply.errors import BROKE_OFF, LinkError
from edgereply_protocol import (
    Bye,
    Configure,
    Configured,
    Connection,
    Fault,
    Inspect,
    Inspection,
    Message,
    Ping,
    Pong,
    Role,
    Start,
    Started,
    Stop,
    Stopped,
)

Reaction = Callable[[Message], list[Message] | None]


class FakeAgentLink:
    """A `ByteLink` whose far end is a scripted agent.

    `reactions` maps a message type to what the agent says to it instead of the usual; `say` makes it speak unasked.
    """

    def __init__(self, banner: bytes = b"", reactions: dict[type[Any], Reaction] | None = None) -> None:
        self.name = "fake board"
        self.complaints = ""
        self.closed = False
        self.heard: list[Message] = []
        self.cut = False
        self._agent = Connection(Role.AGENT, "fake agent")
        self._reactions = reactions or {}
        self._out = banner + self._agent.send(self._agent.hello({"routes": {}}, {"kernel": "fake"}))

    def read(self, timeout_s: float) -> bytes | None:
        data, self._out = self._out, b""
        return data if data or not self.cut else None

    def write(self, data: bytes) -> None:
        if self.cut:
            raise LinkError(BROKE_OFF, where=self.name)
        self._agent.receive_data(data)
        while (message := self._agent.next_message()) is not None:
            self.heard.append(message)
            reaction = self._reactions.get(type(message), usual)
            for answer in reaction(message) or []:
                self.say(answer)

    def say(self, message: Message) -> None:
        """Speak."""
        self._out += self._agent.send(message)

    def inject(self, data: bytes) -> None:
        """Put raw bytes into the stream."""
        self._out += data

    def close(self, grace_s: float = 5.0) -> int:
        self.closed = True
        return 0


def usual(message: Message) -> list[Message]:
    """What a healthy agent answers."""
    if isinstance(message, Configure):
        return [Configured(dict(message.settings))]
    if isinstance(message, Start):
        return [Started(1_000)]
    if isinstance(message, Stop):
        return [Stopped(0, 0, 0, "asked to")]
    if isinstance(message, Ping):
        return [Pong(message.token, 1, 2)]
    if isinstance(message, Inspect):
        return [Inspection({"chips": []})]
    if isinstance(message, Bye):
        return []
    return []


def refuse(code: str, what: str) -> Reaction:
    """A reaction: a fault."""
    return lambda _: [Fault(code, what, "line EYE_IN", "free the line")]
