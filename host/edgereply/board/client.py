"""The host's end of the conversation with an agent."""

import contextlib
import time
from collections import deque
from typing import Any, TypeVar

from edgereply.board.answers import OWN_AGENT, expect_sound
from edgereply.board.byte_link import ByteLink
from edgereply.board.mirrored import not_understood
from edgereply.errors import BROKE_OFF, BoardError, LinkError, SettingError
from edgereply.system.deadline import Deadline
from edgereply.version import TOOL
from edgereply_protocol import (
    Bye,
    Configure,
    Configured,
    Connection,
    Fault,
    Hello,
    Inspect,
    Inspection,
    Json,
    LocalError,
    Message,
    Ping,
    Pong,
    Probe,
    Probed,
    ProtocolError,
    RemoteError,
    Role,
    Start,
    Started,
    State,
    Stop,
    VersionMismatch,
)

BAD_INPUT_CODES = frozenset({"bad-setting", "unknown-line", "no-route"})
PING_S = 1.0
HELLO_S = 30.0
REPLY_S = 15.0
SILENCE_S = 15.0
MOST_AT_ONCE = 64
MOST_UNASKED = 10_000

Reply = TypeVar("Reply")


class BoardClient:
    """Talks to one agent. Not thread-safe.

    Every request waits at most its time-out; faults of the agent become `BoardError`, or `SettingError` when the
    request itself was wrong.
    """

    def __init__(self, link: ByteLink) -> None:
        self._link = link
        self._connection = Connection(Role.HOST, TOOL)
        self._inbox: deque[Message] = deque()
        self._pinged_at = 0.0
        self._heard_at = time.monotonic()
        self._token = 0
        self._farewell = False
        self.hello = Hello("agent", "", 0, 0)

    @property
    def name(self) -> str:
        """What messages call the board."""
        return self._link.name

    @property
    def running(self) -> bool:
        """True while a task runs on the board."""
        return self._connection.state in (State.RUNNING, State.STOPPING)

    def greet(self, timeout_s: float = HELLO_S) -> Hello:
        """Exchange greetings; skips what a login shell prints before.

        Raises:
            LinkError: no agent answered in time; the text quotes what came instead.
        """
        self._send(self._connection.hello())
        self.hello = self._await(Hello, timeout_s)
        return self.hello

    def inspect(self) -> Json:
        """All the agent can find out about the board."""
        self._send(Inspect())
        return self._await(Inspection, REPLY_S).report

    def configure(self, task: str, settings: Json) -> Configured:
        """Set up a task; the lines are taken and the outputs low after this.

        Raises:
            BoardError: the agent is too old for what was asked, or could not have it.
        """
        self._send(Configure(task, settings))
        configured = self._await(Configured, REPLY_S)
        if missed := not_understood(task, settings, configured.in_effect):
            raise BoardError(
                f"the agent there ({self._software()}) is too old for: {', '.join(missed)}",
                where=self.name,
                remedy=OWN_AGENT,
            )
        return configured

    def start(self) -> Started:
        """Start the task; returns when the responder waits for edges."""
        self._send(Start())
        return self._await(Started, REPLY_S)

    def probe(self, levels: dict[str, int], read: list[str]) -> dict[str, int]:
        """Set lines, then read lines."""
        self._send(Probe(levels, read))
        return self._await(Probed, REPLY_S).levels

    def stop(self) -> None:
        """Ask the task to end; `Stopped` comes through `poll`."""
        if self._connection.state in (State.RUNNING, State.CONFIGURED):
            self._send(Stop())

    def ping(self) -> Pong:
        """One sign of life and its answer."""
        self._token += 1
        self._send(Ping(self._token))
        return self._await(Pong, REPLY_S)

    def poll(self, timeout_s: float = 0.0) -> list[Message]:
        """Messages that came, waiting at most `timeout_s` for the first; keeps the agent's dead-man satisfied.

        Raises:
            LinkError: the link ended, was garbled, or the board has been silent for too long.
        """
        now = time.monotonic()
        if now - self._pinged_at >= PING_S:
            self._pinged_at = now
            self._token += 1
            self._send(Ping(self._token))
        self._pump(timeout_s)
        messages: list[Message] = [message for message in self._inbox if not isinstance(message, Pong)]
        self._inbox.clear()
        if not messages and time.monotonic() - self._heard_at > SILENCE_S:
            raise LinkError(
                f"the board has said nothing for {SILENCE_S:.0f} s",
                where=self.name,
                remedy="check its power, the network and the load on it",
            )
        return messages

    def close(self) -> None:
        """Say goodbye and end the link."""
        if self._connection.state is not State.CLOSED:
            with contextlib.suppress(LinkError, LocalError):
                self._send(Bye())
        self._link.close()

    def _send(self, message: Message) -> None:
        if self._connection.state is State.CLOSED:
            raise self._gone()
        self._link.write(self._connection.send(message))

    def _pump(self, timeout_s: float) -> None:
        data = self._link.read(timeout_s)
        try:
            while data:
                self._heard_at = time.monotonic()
                self._connection.receive_data(data)
                while (message := self._connection.next_message()) is not None:
                    self._farewell = self._farewell or isinstance(message, Bye)
                    expect_sound(message, self.name)
                    self._inbox.append(message)
                data = self._link.read(0) if len(self._inbox) < MOST_AT_ONCE else b""
        except RemoteError as error:
            raise self._broken(error) from error
        if data is None and not self._inbox:
            raise self._gone()

    def _await(self, kind: type[Reply], timeout_s: float) -> Reply:
        deadline = Deadline(timeout_s)
        kept: deque[Message] = deque()
        try:
            while not deadline.expired():
                self._pump(min(0.2, deadline.remaining_s()))
                while self._inbox:
                    message = self._inbox.popleft()
                    if isinstance(message, kind):
                        return message
                    if isinstance(message, Fault):
                        raise fault_error(message, self.name)
                    if not isinstance(message, Pong):
                        kept.append(message)
                if len(kept) > MOST_UNASKED:
                    raise LinkError(
                        f"the board sent {len(kept):,} messages and no {kind.__name__.lower()}",
                        where=self.name,
                        remedy="start again",
                    )
        finally:
            self._inbox.extendleft(reversed(kept))
        raise LinkError(
            f"no {kind.__name__.lower()} from the board within {timeout_s:.0f} s",
            where=self.name,
            remedy=self._printed() or "check that the board is up and reachable",
        )

    def _gone(self) -> LinkError:
        """The far end is gone; the same words however that was noticed."""
        printed = self._printed()
        with contextlib.suppress(RemoteError):
            self._connection.receive_eof()
        if self._farewell:
            return LinkError("the agent was ended on the board", where=self.name, remedy=printed or "start again")
        return LinkError(
            BROKE_OFF, where=self.name, remedy=printed or "check the board's power and the network, then start again"
        )

    def _broken(self, error: ProtocolError) -> LinkError:
        if isinstance(error, VersionMismatch):
            remedy = OWN_AGENT if error.peer_is_older else "update edgereply on the computer"
            return LinkError(f"{error}", where=self.name, remedy=remedy)
        return LinkError(f"{error}", where=self.name, remedy=self._printed() or "start again")

    def _software(self) -> str:
        return "".join(c if c.isprintable() else " " for c in self.hello.software[:60])

    def _printed(self) -> str:
        said = self._link.complaints or self._connection.skipped.decode("utf-8", "replace").strip()
        printable = "".join(c if c.isprintable() else " " for c in said)
        return f"the far end said: {printable[-400:]}" if printable else ""


def fault_error(fault: Fault, where: str) -> BoardError | SettingError:
    """The exception that stands for an agent's fault."""
    cls: type[Any] = SettingError if fault.code in BAD_INPUT_CODES else BoardError
    error: BoardError | SettingError = cls(
        fault.what, where=f"{where}: {fault.where}" if fault.where else where, remedy=fault.remedy
    )
    error.code = fault.code
    return error
