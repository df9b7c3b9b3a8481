"""The session's bytes: reads without waiting, writes as far as the far end takes them."""

from __future__ import annotations

import os
import select
import selectors
import sys
import time
from typing import Iterable

from .errors import LinkLost

CHUNK = 65536


class Wire:
    """Two descriptors and an output buffer. Not thread-safe."""

    def __init__(self, read_fd: int, write_fd: int) -> None:
        self.read_fd, self.write_fd = read_fd, write_fd
        os.set_blocking(write_fd, False)
        self._buffer = bytearray()

    @classmethod
    def claim_stdio(cls) -> Wire:
        """Take stdin and stdout for frames: prints go to stderr from now on, reads of stdin find nothing."""
        sys.stdout.flush()
        read_fd, write_fd = os.dup(0), os.dup(1)
        null = os.open(os.devnull, os.O_RDONLY)
        os.dup2(null, 0)
        os.close(null)
        os.dup2(2, 1)
        return cls(read_fd, write_fd)

    @property
    def fds(self) -> tuple[int, ...]:
        """Descriptors no other process may keep, or the far end never sees the end."""
        return self.read_fd, self.write_fd

    @property
    def pending(self) -> int:
        """Bytes that still have to be written."""
        return len(self._buffer)

    def wait(self, others: Iterable[int], timeout_s: float) -> set[int]:
        """Wait until bytes or the end of the stream came, pending ones can be written, or another descriptor is ready.

        Returns:
            Descriptors that can be read, of this stream and of the others.
        """
        with selectors.DefaultSelector() as selector:
            wanted = selectors.EVENT_READ | (selectors.EVENT_WRITE if self.pending else 0)
            if self.read_fd == self.write_fd or not self.pending:
                selector.register(self.read_fd, wanted)
            else:
                selector.register(self.read_fd, selectors.EVENT_READ)
                selector.register(self.write_fd, selectors.EVENT_WRITE)
            for fd in others:
                selector.register(fd, selectors.EVENT_READ)
            return {key.fd for key, mask in selector.select(timeout_s) if mask & selectors.EVENT_READ}

    def read(self) -> bytes:
        """Bytes that came.

        Returns:
            At least one byte; empty at the end of the stream.

        Raises:
            BlockingIOError: nothing came.
            LinkLost: the stream is broken.
        """
        try:
            return os.read(self.read_fd, CHUNK)
        except BlockingIOError:
            raise
        except OSError as error:
            raise LinkLost(f"the link cannot be read: {error}") from error

    def put(self, data: bytes) -> None:
        """Add bytes and write what can be written now.

        Raises:
            LinkLost: the far end is gone.
        """
        self._buffer += data
        self.write()

    def write(self) -> None:
        """Write what can be written now.

        Raises:
            LinkLost: the far end is gone.
        """
        try:
            while self._buffer:
                with memoryview(self._buffer) as view:
                    done = os.write(self.write_fd, view[:CHUNK])
                del self._buffer[:done]
        except BlockingIOError:
            pass
        except OSError as error:
            self._buffer.clear()
            raise LinkLost(f"the link cannot be written: {error}") from error

    def finish(self, seconds: float) -> None:
        """Try to write the rest, for at most so long."""
        end = time.monotonic() + seconds
        poll = select.poll()
        poll.register(self.write_fd, select.POLLOUT)
        try:
            self.write()
            while self._buffer and time.monotonic() < end:
                poll.poll(50)
                self.write()
        except LinkLost:
            pass
