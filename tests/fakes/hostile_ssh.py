"""A far end that means harm, run in place of `ssh`: the first word says in which way.

Past the start it speaks the real protocol, so that what it says gets as far as it can.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import time
from collections.abc import Callable
from typing import Any, NoReturn

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
    Progress,
    Role,
    Start,
    Started,
    Stop,
    Stopped,
)
from edgereply_protocol.framing import Frame, encode_frame
from edgereply_protocol.messages import encode_message

MARK = "\x1eedgereply-boot "
# Erase the screen, set the title and the clipboard, C1 in 8-bit form, read from right to left, a line of our own.
EVIL = "\x1b[2J\x1b]0;owned\x07\x1b]52;c;cm0=\x07\x9b31m\u202eabc\u2066\nedgereply: all is well\r"
TEXTS = {"available": False, "why": f"why {EVIL}", "remedy": f"remedy {EVIL}"}
PLACED = {
    "path": "/tmp/agent.pyz",
    "copied": True,
    "passed_over": [],
    "python": "/usr/bin/python3",
    "version": [3, 9, 2],
}


def say(**answer: Any) -> None:
    sys.stdout.write(MARK + json.dumps(answer) + "\n")
    sys.stdout.flush()


def out(data: bytes) -> None:
    sys.stdout.buffer.write(data)
    sys.stdout.buffer.flush()


def take() -> None:
    """Take the program and the request in."""
    size = int(sys.stdin.buffer.readline())
    sys.stdin.buffer.read(size)
    sys.stdin.buffer.readline()


def boot(**changes: Any) -> None:
    """Say that the agent is there."""
    take()
    say(**{**PLACED, **changes})


def for_ever(data: bytes) -> NoReturn:
    while True:
        out(data)


def stay() -> NoReturn:
    while True:
        time.sleep(60)


def report(text: str) -> dict[str, Any]:
    """An inspection with a text wherever one can stand."""
    line = {"offset": 1, "name": text, "user": text, "used": True, "direction": text, "bias": text}
    return {
        "routes": {f"r {text}": TEXTS}, "responders": {f"p {text}": TEXTS},
        "chips": [{"path": text, "name": text, "label": text, "lines": 1, "line_list": [line]}],
        "problems": [{"where": text, "what": text, "remedy": text}],
        "environment": {"model": text, "kernel": text, "machine": text, "virtual": True, "virtual_why": text},
    }  # fmt: skip


class Agent:
    """The agent's end of the protocol; `answers` replaces what it says to a kind of message."""

    def __init__(self, software: str = "agent", capabilities: Any = None, environment: Any = None) -> None:
        self.connection = Connection(Role.AGENT, software)
        self.answers: dict[type[Message], Callable[[], list[Message]]] = {}
        out(self.connection.send(self.connection.hello(capabilities or {"routes": {}}, environment or {})))

    def serve(self) -> None:
        while data := os.read(0, 1 << 16):
            self.connection.receive_data(data)
            while (message := self.connection.next_message()) is not None:
                if isinstance(message, Bye):
                    return
                for answer in self.answers.get(type(message), lambda message=message: usual(message))():
                    out(self.connection.send(answer))


def usual(message: Message) -> list[Message]:
    if isinstance(message, Ping):
        return [Pong(message.token, 1, 2)]
    if isinstance(message, Inspect):
        return [Inspection(report("plain"))]
    if isinstance(message, Configure):
        return [Configured(dict(message.settings))]
    if isinstance(message, Start):
        return [Started(1)]
    if isinstance(message, Stop):
        return [Stopped(0, 0, 0, "asked to")]
    return []


def flood(agent: Agent, message: Message) -> NoReturn:
    """One message over and over, without looking what the host says."""
    reader = agent.connection
    while reader.state.value != "running":
        reader.receive_data(os.read(0, 1 << 16))
        while (heard := reader.next_message()) is not None:
            for answer in usual(heard):
                out(reader.send(answer))
    payload = encode_message(message)
    first = reader._sequence
    for start in range(first, 1 << 32, 200):
        out(b"".join(encode_frame(Frame(message.TYPE, number, payload)) for number in range(start, start + 200)))
    raise SystemExit


def said(mode: str) -> None:
    """Ways to end before there is an agent."""
    if mode == "stderr":
        sys.stderr.write(f"cannot connect {EVIL}")
        sys.exit(255)
    elif mode == "preamble":
        for_ever(b"*** welcome ***\n" * 4096)
    elif mode == "no-line":
        for_ever(MARK.encode() + b"x" * 65536)
    elif mode == "garbled":
        sys.stdin.buffer.readline()
        out(f"{MARK}{{{EVIL!r}\n".encode())
        stay()
    elif mode == "unread":
        say(need=True)
        stay()
    elif mode == "asking":
        take()
        while True:
            say(need=True)
            sys.stdin.buffer.read(int(sys.stdin.buffer.readline() or sys.exit()))
    elif mode == "removed":
        say(removed=[f"/tmp/{EVIL}"])
    elif mode == "no-room":
        say(failed=[f"/tmp: {EVIL}"])
        stay()
    elif mode.startswith("boot:"):
        boot(**json.loads(mode[5:]))
        stay()


def talk(mode: str) -> None:
    """Ways to be an agent."""
    if mode == "texts":
        boot(path=f"/tmp/{EVIL}", python=EVIL, passed_over=[f"/var {EVIL}"])
        agent = Agent(f"agent {EVIL}", {"routes": {f"chardev {EVIL}": TEXTS}}, {"model": EVIL, "virtual": True})
        agent.answers[Inspect] = lambda: [Inspection(report(EVIL))]
        agent.serve()
    elif mode == "fault":
        boot()
        agent = Agent()
        agent.answers[Inspect] = lambda: [Fault("internal", f"what {EVIL}", f"where {EVIL}", f"remedy {EVIL}")]
        agent.serve()
    elif mode == "silent":
        boot()
        stay()
    elif mode == "progress":
        boot()
        flood(Agent(), Progress(1, 0, 0, 1, {"reading": {f"gauge {i}": i for i in range(40)}}))


if __name__ == "__main__":
    with contextlib.suppress(BrokenPipeError):
        said(sys.argv[1])
        talk(sys.argv[1])
