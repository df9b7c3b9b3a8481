"""A child process as a two-way stream of bytes: the system's ssh, or the agent on this computer.

The far end may be anybody. What it sends faster than it is read is held up to a bound, and then not taken from the
pipe; what it does not read is given up after a while; and it ends with us, whatever it does: at the latest two seconds
after Ctrl-C.
"""

import contextlib
import os
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Sequence

from edgereply.errors import BROKE_OFF, LinkError
from edgereply.system.deadline import Deadline
from edgereply.system.interrupts import interrupts_ignored
from edgereply.system.processes import KILLED, apart, takes_more

CHUNK = 1 << 16
STDERR_KEPT = 4096
LAST_WORDS_S = 1.0
# A second of the quickest agent; ssh and the agent hold as much again.
MOST_HELD = 1 << 23
WRITE_S = 15.0
# After Ctrl-C: to end by itself, then after SIGTERM. With the threads below two seconds.
INTERRUPTED_S, TERMINATED_S, KILLED_S, JOIN_S = 0.8, 0.5, 0.3, 0.1
CLOSED_S = 2.0


class ProcessLink:
    """Bytes to and from a child's stdin and stdout; its stderr is kept for error messages.

    One thread reads each of the child's streams. `read` and `write` may be used from one other thread.
    """

    def __init__(self, command: Sequence[str], name: str, terminal: bool = False) -> None:
        """Start the child.

        Args:
            command: program and arguments; no shell is involved.
            name: what messages call the far end.
            terminal: the child may ask the user something on the terminal (ssh: a passphrase); an interrupt typed
                there is for us to handle, so the child ignores it. Otherwise it has no terminal at all.

        Raises:
            LinkError: the program is missing or cannot be started.
        """
        self.name = name
        self._received = Received()
        self._stderr = b""
        self._ended = threading.Event()
        try:
            with interrupts_ignored() if terminal else contextlib.nullcontext():
                self._child = subprocess.Popen(
                    command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    bufsize=0,
                    **({} if terminal else apart()),
                )
        except OSError as error:
            raise LinkError(
                f"cannot start {command[0]}: {error.strerror}", where=name, remedy=f"install {command[0]}"
            ) from error
        assert self._child.stdin is not None
        self._takes = takes_more(self._child.stdin.fileno())
        self._readers = [threading.Thread(target=f, daemon=True) for f in (self._read_stdout, self._read_stderr)]
        for reader in self._readers:
            reader.start()

    @property
    def pid(self) -> int:
        """Process number of the child."""
        return self._child.pid

    @property
    def complaints(self) -> str:
        """The last 4 kB of what the child wrote to stderr; once its stdout has ended, its last words are waited for."""
        if self._ended.is_set():
            self._readers[1].join(LAST_WORDS_S)
        return self._stderr.decode("utf-8", "replace").strip()

    def read(self, timeout_s: float) -> bytes | None:
        """Received bytes; empty when none came in time, None at the end of the stream."""
        return self._received.get(timeout_s)

    def write(self, data: bytes, timeout_s: float = WRITE_S) -> None:
        """Send bytes.

        Args:
            data: all of them.
            timeout_s: until the far end must have taken them.

        Raises:
            LinkError: the far end is gone, or takes nothing.
        """
        assert self._child.stdin is not None
        deadline, left = Deadline(timeout_s), memoryview(data)
        try:
            while left:
                if self._takes(min(1.0, deadline.remaining_s())):
                    with contextlib.suppress(BlockingIOError):
                        left = left[os.write(self._child.stdin.fileno(), left[:CHUNK]) :]
                if left and deadline.expired():
                    raise LinkError(
                        f"the far end has not taken {len(left)} of {len(data)} bytes within {timeout_s:.0f} s",
                        where=self.name,
                        remedy=self._hint(),
                    )
        except (OSError, ValueError) as error:
            raise LinkError(BROKE_OFF, where=self.name, remedy=self._hint()) from error

    def close(self, grace_s: float = 5.0) -> int:
        """End the child: by closing its stdin, then by SIGTERM, then by SIGKILL.

        After Ctrl-C, before or while it waits, all of that takes less than two seconds.

        Returns:
            The child's exit code; -9 where it does not even die.
        """
        assert self._child.stdin is not None
        with contextlib.suppress(OSError):
            self._child.stdin.close()
        self._received.close()
        interrupted = isinstance(sys.exception(), KeyboardInterrupt)
        try:
            self._end(
                min(grace_s, INTERRUPTED_S) if interrupted else grace_s, TERMINATED_S if interrupted else CLOSED_S
            )
        except KeyboardInterrupt:
            self._end(0.0, TERMINATED_S)
            raise
        finally:
            self._give_back()
        return -KILLED if self._child.returncode is None else self._child.returncode

    def _end(self, grace_s: float, terminated_s: float) -> None:
        ends = ((self._child.terminate, terminated_s), (self._child.kill, KILLED_S))
        for end, next_s in ends:
            with contextlib.suppress(subprocess.TimeoutExpired):
                self._child.wait(grace_s)
                return
            end()
            grace_s = next_s
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(grace_s)

    def _give_back(self) -> None:
        # A grandchild may hold the other end of a pipe for ever; its reader then lives until the program ends.
        for reader, stream in zip(self._readers, (self._child.stdout, self._child.stderr), strict=True):
            reader.join(JOIN_S)
            if stream is not None and not reader.is_alive():
                with contextlib.suppress(OSError):
                    stream.close()

    def _hint(self) -> str:
        return (
            f"the far end said: {self.complaints[-400:]}"
            if self.complaints
            else "check the board's power and the network, then start again"
        )

    def _read_stdout(self) -> None:
        assert self._child.stdout is not None
        descriptor = self._child.stdout.fileno()
        while True:
            try:
                data = os.read(descriptor, CHUNK)
            except OSError:
                data = b""
            if not data:
                self._ended.set()
            self._received.put(data)
            if not data:
                return

    def _read_stderr(self) -> None:
        assert self._child.stderr is not None
        descriptor = self._child.stderr.fileno()
        with contextlib.suppress(OSError):
            while data := os.read(descriptor, CHUNK):
                self._stderr = (self._stderr + data)[-STDERR_KEPT:]


class Received:
    """Bytes on their way from the thread that receives them to the one that reads them; `MOST_HELD`, and a chunk."""

    def __init__(self) -> None:
        self._chunks: deque[bytes] = deque()
        self._held = 0
        self._ended = self._closed = False
        self._changed = threading.Condition()

    @property
    def held(self) -> int:
        """Bytes that wait to be read."""
        return self._held

    def put(self, data: bytes) -> None:
        """Hand bytes over, or b"" for the end; waits while too many are held. Dropped once nobody reads any more."""
        with self._changed:
            self._changed.wait_for(lambda: self._held < MOST_HELD or self._closed)
            if data and not self._closed:
                self._chunks.append(data)
                self._held += len(data)
            self._ended = self._ended or not data
            self._changed.notify_all()

    def get(self, timeout_s: float) -> bytes | None:
        """Bytes; empty when none came in time, None when all of them were taken and no more will come."""
        with self._changed:
            self._changed.wait_for(lambda: self._chunks or self._ended or self._closed, max(0.0, timeout_s))
            if self._chunks:
                data = self._chunks.popleft()
                self._held -= len(data)
                self._changed.notify_all()
                return data
            return None if self._ended or self._closed else b""

    def close(self) -> None:
        """Nobody reads any more: the rest is taken and dropped, so that the far end is not held up in ending."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()
