"""A real agent in a subprocess, spoken to through the protocol, every wait with a deadline."""

from __future__ import annotations

import contextlib
import os
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, TypeVar

from edgereply_protocol import Bye, Configure, Configured, Connection, Fault, Hello, Message, Role, Start, Started

Kind = TypeVar("Kind", bound=Message)
ROOT = Path(__file__).resolve().parents[2]


class AgentProcess:
    """An agent and the host's end of its link. Use as a context manager."""

    def __init__(self, command: list[str] | None = None, env: dict[str, str] | None = None) -> None:
        path = os.pathsep.join(str(ROOT / part) for part in ("agent", "protocol"))
        self.process = subprocess.Popen(
            command or [sys.executable, "-m", "edgereply_agent"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            bufsize=0,
            env={**os.environ, "PYTHONPATH": path, **(env or {})},
        )
        self.link = Connection(Role.HOST, "edgereply test")
        self.seen: list[Message] = []

    def __enter__(self) -> AgentProcess:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(10)
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            assert stream is not None
            with contextlib.suppress(BrokenPipeError):
                stream.close()

    def send(self, message: Message) -> None:
        """Send a message."""
        self.write(self.link.send(message))

    def write(self, data: bytes) -> None:
        """Send bytes."""
        assert self.process.stdin is not None
        self.process.stdin.write(data)

    def next(self, timeout_s: float = 10) -> Message:
        """Next message of the agent.

        Raises:
            TimeoutError: none came.
            RemoteError: nonsense or the end of the stream came.
        """
        assert self.process.stdout is not None
        end = time.monotonic() + timeout_s
        while (message := self.link.next_message()) is None:
            ready, _, _ = select.select([self.process.stdout], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                raise TimeoutError("the agent said nothing")
            data = os.read(self.process.stdout.fileno(), 65536)
            if data:
                self.link.receive_data(data)
            else:
                self.link.receive_eof()
                raise EOFError("the agent closed the link")
        self.seen.append(message)
        return message

    def expect(self, kind: type[Kind], timeout_s: float = 10) -> Kind:
        """Next message of a kind; others before it are kept in `seen`. A fault not asked for fails."""
        end = time.monotonic() + timeout_s
        while True:
            message = self.next(max(0.01, end - time.monotonic()))
            if isinstance(message, kind):
                return message
            assert not isinstance(message, Fault), message

    def greet(self) -> Hello:
        """Say hello."""
        self.send(self.link.hello())
        return self.expect(Hello)

    def configure(self, task: str, settings: dict[str, Any]) -> Configured:
        """Configure a task."""
        self.send(Configure(task, settings))
        return self.expect(Configured)

    def start(self) -> Started:
        """Start the task."""
        self.send(Start())
        return self.expect(Started)

    def bye(self) -> int:
        """Say bye. Returns the exit code."""
        self.send(Bye())
        return self.process.wait(10)

    def errors(self) -> str:
        """All of stderr, after the agent has ended."""
        assert self.process.stderr is not None
        return self.process.stderr.read().decode()

    def children(self) -> dict[str, list[int]]:
        """Pids of the agent's children: those in its own process group are workers, others keepers."""
        found: dict[str, list[int]] = {"workers": [], "keepers": []}
        group = os.getpgid(self.process.pid)
        for pid in _children(self.process.pid):
            found["workers" if os.getpgid(pid) == group else "keepers"].append(pid)
        return found

    def kill(self) -> None:
        """Kill the session process with SIGKILL."""
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10)


def _children(parent: int) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                fields = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            if int(fields[1]) == parent:
                found.append(int(entry.name))
    return found


def open_fds(pid: int | str = "self") -> dict[str, str]:
    """What a process holds open, by descriptor."""
    found = {}
    for entry in Path(f"/proc/{pid}/fd").iterdir():
        with contextlib.suppress(OSError):  # the directory's own descriptor is gone by now
            found[entry.name] = str(entry.readlink())
    return found


def gone(pid: int, timeout_s: float = 5) -> bool:
    """Whether a process ends (or is a zombie) within so long."""
    end = time.monotonic() + timeout_s
    while time.monotonic() < end:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except OSError:
            return True
        time.sleep(0.01)
    return False
