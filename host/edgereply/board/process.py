"""A child process as a two-way stream of bytes: the system's ssh, or the agent on this computer."""

import contextlib
import os
import queue
import subprocess
import threading
from collections.abc import Sequence

from edgereply.errors import BROKE_OFF, LinkError
from edgereply.system.deadline import Deadline
from edgereply.system.interrupts import interrupts_ignored
from edgereply.system.processes import apart

CHUNK = 1 << 16
STDERR_KEPT = 4096
LAST_WORDS_S = 1.0


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
        self._chunks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._stderr = b""
        self._ended = threading.Event()
        try:
            with interrupts_ignored() if terminal else contextlib.nullcontext():
                self._child = subprocess.Popen(
                    command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.PIPE,
                    **({} if terminal else apart()),
                )
        except OSError as error:
            raise LinkError(
                f"cannot start {command[0]}: {error.strerror}", where=name, remedy=f"install {command[0]}"
            ) from error
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
        try:
            data = self._chunks.get(timeout=timeout_s) if timeout_s > 0 else self._chunks.get_nowait()
        except queue.Empty:
            return b""
        if not data:
            self._chunks.put(b"")
            return None
        return data

    def write(self, data: bytes) -> None:
        """Send bytes.

        Raises:
            LinkError: the far end is gone.
        """
        assert self._child.stdin is not None
        try:
            self._child.stdin.write(data)
            self._child.stdin.flush()
        except (OSError, ValueError) as error:
            raise LinkError(BROKE_OFF, where=self.name, remedy=self._hint()) from error

    def close(self, grace_s: float = 5.0) -> int:
        """End the child: by closing its stdin, then by SIGTERM, then by SIGKILL. Returns its exit code."""
        assert self._child.stdin is not None
        with contextlib.suppress(OSError):
            self._child.stdin.close()
        deadline = Deadline(grace_s)
        for end in (self._child.terminate, self._child.kill):
            try:
                self._child.wait(deadline.remaining_s())
                break
            except subprocess.TimeoutExpired:
                end()
                deadline = Deadline(2.0)
        code = self._child.wait()
        for reader in self._readers:
            reader.join(1.0)
        for stream in (self._child.stdout, self._child.stderr):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()
        return code

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
            self._chunks.put(data)
            if not data:
                return

    def _read_stderr(self) -> None:
        assert self._child.stderr is not None
        descriptor = self._child.stderr.fileno()
        with contextlib.suppress(OSError):
            while data := os.read(descriptor, CHUNK):
                self._stderr = (self._stderr + data)[-STDERR_KEPT:]
