"""The process that sets outputs low when the session is no more.

It holds the output lines too and sleeps on a pipe whose other end only the session has, so the kernel wakes it
whichever way the session ends, SIGKILL included. Then it ends the workers for good and sets the outputs low.

Where the kernel decides: when keeper, workers and session are all killed at once, nobody is left to write. The last
close of the line requests hands the lines back to their driver, which usually keeps the last level. An output that
must be low then needs a pull-down resistor, which the wiring asks for anyway.

It also is the guard against a worker that lets nothing else run: a real-time process that spins, on the only CPU, with
the kernel's throttling off. Once armed it wakes by a timer, above the worker's priority, and looks whether the session
went on; when that stood still for the time agreed, it does the same as when the session is gone, and leaves word. Its
memory is locked then, as nobody would be there to fetch a page of it.
"""

from __future__ import annotations

import contextlib
import mmap
import os
import select
import signal
import struct
import time
from typing import Callable, Iterable, Optional, Sequence

from .processes import SIGNALS, fork
from .realtime import MCL_CURRENT, MCL_FUTURE, c_library
from .routes.base import InputLine, OutputLine

RELEASE = 0
LOOK = 1 << 30  # more than any process number
# Cells of the memory shared with the session: its beats, silence allowed, whether the guard acted, its priority + 1,
# whether it had to act at all.
BEAT, LIMIT_MS, STARVED, PRIORITY, ACTED = range(5)
START_S = 2.0
KILL_S = 1.0
_WORD = struct.Struct("=i")


class Keeper:
    """The session's side: starts the process and tells it which workers there are.

    Args:
        outputs: lines to set low when the session ends.
        inputs: lines to give back then, as some routes do not do so by themselves.
        private_fds: descriptors of the session the process must not keep.
        fifo_priority: run above a responder of this priority, or None.
        last: what else is to be done then, once the outputs are low; must not raise.
    """

    def __init__(
        self,
        outputs: Sequence[OutputLine],
        inputs: Sequence[InputLine],
        private_fds: Iterable[int],
        fifo_priority: Optional[int] = None,
        last: Optional[Callable[[], None]] = None,
    ) -> None:
        read_fd, self.fd = os.pipe()
        self._cells = memoryview(mmap.mmap(-1, mmap.PAGESIZE)).cast("I")
        self.pid = fork()
        if self.pid == 0:
            try:
                for fd in (*private_fds, self.fd):
                    os.close(fd)
                _keep(read_fd, outputs, inputs, fifo_priority, self._cells)
                if last is not None and self._cells[ACTED]:
                    last()
            finally:
                os._exit(0)
        os.close(read_fd)
        # Until it has left the session's process group, what kills the group would kill it too.
        end = time.monotonic() + START_S
        while not self._cells[PRIORITY] and time.monotonic() < end:
            time.sleep(0.001)

    def watch(self, pid: int) -> None:
        """Tell it of a worker that has to end with the session."""
        self._tell(pid)

    def forget(self, pid: int) -> None:
        """Tell it that a worker has ended."""
        self._tell(-pid)

    def arm(self, limit_s: float) -> None:
        """End the workers, too, when `beat` is not called for so long (at most half as long again)."""
        self.beat()
        self._cells[LIMIT_MS] = int(limit_s * 1000)
        self._tell(LOOK)

    def disarm(self) -> None:
        """Look no more."""
        self._cells[LIMIT_MS] = 0

    def beat(self) -> None:
        """Show that the session goes on; a store, which wakes nobody."""
        self._cells[BEAT] = (self._cells[BEAT] + 1) & 0xFFFFFFFF

    @property
    def starved(self) -> bool:
        """True once the guard has acted."""
        return bool(self._cells[STARVED])

    def priority(self) -> int:
        """Its SCHED_FIFO priority as it took effect, 0 when it has none."""
        return max(0, self._cells[PRIORITY] - 1)

    def alive(self) -> bool:
        """Whether the process is there; collects it when not."""
        if self.pid and os.waitpid(self.pid, os.WNOHANG)[0]:
            self.pid = 0
        return bool(self.pid)

    def release(self) -> None:
        """End the process without touching the outputs."""
        self._tell(RELEASE)
        if self.fd >= 0:
            os.close(self.fd)
            self.fd = -1
        end = time.monotonic() + KILL_S
        while self.alive():
            if time.monotonic() > end:
                os.kill(self.pid, signal.SIGKILL)
                os.waitpid(self.pid, 0)
                self.pid = 0
                return
            time.sleep(0.001)

    def _tell(self, word: int) -> None:
        with contextlib.suppress(OSError):
            os.write(self.fd, _WORD.pack(word))


def _keep(
    fd: int,
    outputs: Sequence[OutputLine],
    inputs: Sequence[InputLine],
    fifo_priority: Optional[int],
    cells: memoryview[int],
) -> None:
    signal.set_wakeup_fd(-1)
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    os.setsid()
    null = os.open(os.devnull, os.O_RDWR)
    for standard in (0, 1, 2):
        os.dup2(null, standard)
    if fifo_priority is not None:
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(min(fifo_priority + 1, 99)))
        if (libc := c_library()) is not None:
            libc.mlockall(MCL_CURRENT | MCL_FUTURE)
    cells[PRIORITY] = os.sched_getparam(0).sched_priority + 1
    workers: dict[int, int] = {}
    if not _attend(fd, workers, cells):
        return
    cells[ACTED] = 1
    for pid, pidfd in workers.items():
        _end(pid, pidfd)
    for output in outputs:
        with contextlib.suppress(OSError):
            output.low()
    held: list[InputLine | OutputLine] = [*outputs, *inputs]
    for line in held:
        with contextlib.suppress(OSError):
            line.close()


def _attend(fd: int, workers: dict[int, int], cells: memoryview[int]) -> bool:
    """Keep the list of workers until they are to be ended; False when the session needs no keeper any more."""
    poll = select.poll()
    poll.register(fd, select.POLLIN)
    beat, since = -1, 0.0
    while True:
        limit_ms = cells[LIMIT_MS]
        if not poll.poll(limit_ms // 2 if limit_ms else None):
            now = time.monotonic()
            if cells[BEAT] != beat:
                beat, since = cells[BEAT], now
            elif limit_ms and (now - since) * 1000 >= limit_ms:
                cells[STARVED] = 1
                return True
            continue
        word = os.read(fd, _WORD.size)
        if len(word) < _WORD.size:
            return True
        (pid,) = _WORD.unpack(word)
        if pid == RELEASE:
            return False
        if pid == LOOK:
            beat, since = cells[BEAT], time.monotonic()
        elif pid > 0:
            workers[pid] = _pidfd(pid)
        else:
            workers.pop(-pid, None)


def _pidfd(pid: int) -> int:
    try:
        return os.pidfd_open(pid)
    except (OSError, AttributeError):
        return -1


def _end(pid: int, pidfd: int) -> None:
    """Kill and wait until it is dead, lest it sets an output high after we set it low."""
    try:
        if pidfd >= 0:
            signal.pidfd_send_signal(pidfd, signal.SIGKILL)
            poll = select.poll()
            poll.register(pidfd, select.POLLIN)
            poll.poll(int(KILL_S * 1000))
            return
        os.kill(pid, signal.SIGKILL)
        end = time.monotonic() + KILL_S
        while time.monotonic() < end:
            os.kill(pid, 0)
            time.sleep(0.001)
    except OSError:
        pass
