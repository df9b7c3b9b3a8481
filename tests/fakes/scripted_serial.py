"""A serial device on a pseudo-terminal that answers as it is told to."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from collections.abc import Callable
from typing import Self

Reply = Callable[[bytes], bytes | None]


class ScriptedSerial:
    """Calls ``reply`` with each line received; None pulls the plug.

    Args:
        reply: line, with its line feed, to answer.
        greeting: what it says when switched on.

    Attributes:
        port: to open.
        heard: all bytes received.
    """

    def __init__(self, reply: Reply, greeting: bytes = b"") -> None:
        self._master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self.heard = bytearray()
        self._reply = reply
        self._wake, self._waker = os.pipe()
        if greeting:
            os.write(self._master, greeting)
        self._plugged = True
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        """Send unasked."""
        os.write(self._master, data)

    def wait_for(self, data: bytes, timeout_s: float = 10) -> None:
        """Wait until these bytes were heard.

        Raises:
            TimeoutError: they were not.
        """
        end = time.monotonic() + timeout_s
        while data not in self.heard:
            if time.monotonic() > end:
                raise TimeoutError(f"{data!r} was not heard, only {bytes(self.heard)[-200:]!r}")
            time.sleep(0.005)

    def unplug(self) -> None:
        """Pull the plug."""
        if self._plugged:
            self._plugged = False
            os.close(self._waker)
            if threading.current_thread() is not self._thread:
                self._thread.join(10)
            os.close(self._slave)
            os.close(self._master)
            os.close(self._wake)

    close = unplug

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _serve(self) -> None:
        pending = b""
        while True:
            ready = select.select([self._master, self._wake], [], [])[0]
            if self._wake in ready:
                return
            data = os.read(self._master, 4096)
            self.heard += data
            pending += data
            while b"\n" in pending:
                line, _, pending = pending.partition(b"\n")
                answer = self._reply(line + b"\n")
                if answer is None:
                    self.unplug()
                    return
                if answer:
                    os.write(self._master, answer)
