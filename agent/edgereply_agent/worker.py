"""Processes that do the timed work: forked by the session, told to start by a byte, stopped by a cell and a signal."""

from __future__ import annotations

import contextlib
import errno
import gc
import json
import os
import select
import signal
import time
from typing import Callable, Iterable, Optional, Sequence

from edgereply_protocol import Json

from .errors import GONE, AgentError, lost_line
from .processes import SIGNALS, Forked, fork
from .realtime import apply_realtime, die_with_parent
from .ring import CLEAN, FAILED, STOP, Ring, board_ns
from .routes.base import InputLine
from .settings import Realtime

START_S = 10.0
Body = Callable[[Callable[[], object]], None]
# Real-time settings in effect, what to say when ready (JSON, open for more), pipes (report, go), parent; never returns.
Become = Callable[[Json, str, Sequence[int], int], None]
STOP_S = 1.0


class Worker(Forked):
    """One forked process that works on one ring.

    Args:
        name: for messages.
        ring: its rows.
        body: the work; calls its argument once it would miss no edge any more, ends when the ring's stop cell is
            set.
        realtime: settings applied in the process.
        line: the input it sleeps on, interrupted at the stop.
        private_fds: descriptors of the session the process must not keep.
        prelude: called in the process once its settings are in effect; what it found is told by `ready`.
        become: turns the process into another program, which does the work in place of `body`.

    `report_fd` becomes readable when the process ended.
    """

    def __init__(
        self,
        name: str,
        ring: Ring,
        body: Body,
        realtime: Realtime,
        line: Optional[InputLine],
        private_fds: Iterable[int],
        prelude: Callable[[], Json] = dict,
        become: Optional[Become] = None,
    ) -> None:
        self.name, self.ring, self._line = name, ring, line
        self.report_fd, report = os.pipe()
        go, self._go_fd = os.pipe()
        parent = os.getpid()
        self.pid = fork()
        if self.pid == 0:
            code = 70
            try:
                for fd in (*private_fds, self.report_fd, self._go_fd):
                    os.close(fd)
                code = _work(ring, body, realtime, line, report, go, parent, prelude, become)
            finally:
                os._exit(code)
        os.close(report)
        os.close(go)

    @property
    def session_fds(self) -> tuple[int, ...]:
        """Descriptors of the session that later processes must not keep."""
        return tuple(fd for fd in (self.report_fd, self._go_fd) if fd >= 0)

    def ready(self) -> tuple[Json, list[str], Json]:
        """Wait until the process has applied its settings.

        Returns:
            Real-time settings in effect, warnings, what the prelude found.

        Raises:
            AgentError: it ended instead.
        """
        answer = self._answer()
        return answer["in_effect"], answer["warnings"], answer["found"]

    def go(self) -> int:
        """Let it work.

        Returns:
            The board's clock when it began to wait for edges, in ns.

        Raises:
            AgentError: it ended instead.
        """
        with contextlib.suppress(OSError):
            os.write(self._go_fd, b"g")
        return int(self._answer()["started_ns"])

    def _answer(self) -> Json:
        poll = select.poll()
        poll.register(self.report_fd, select.POLLIN)
        text = os.read(self.report_fd, 65536) if poll.poll(int(START_S * 1000)) else b""
        if not text:
            self.stop()
            raise self.failure() or AgentError("internal", f"the {self.name} did not start", self.name)
        answer = json.loads(text)
        assert isinstance(answer, dict)
        return answer

    def stop(self) -> None:
        """End the process, within `STOP_S` by asking, then by force. May be called again."""
        self.ring.stop()
        if self._line is not None:
            self._line.interrupt()
        end = time.monotonic() + STOP_S
        poll = select.poll()
        poll.register(self.report_fd, select.POLLIN)
        while self.alive() and time.monotonic() < end:
            # The flag on the input comes first, so a read that starts after the signal gives up at once too.
            os.kill(self.pid, signal.SIGTERM)
            if self._go_fd >= 0:
                os.close(self._go_fd)
                self._go_fd = -1
            if poll.poll(50):
                os.read(self.report_fd, 65536)
                time.sleep(0.001)
        self.kill()

    @property
    def clean(self) -> bool:
        """The process ended by itself and left its output low."""
        return bool(self.ring.cells[CLEAN])

    def failure(self) -> Optional[AgentError]:
        """Why the process ended, None when it ended as asked."""
        report = self.ring.error()
        if report is not None:
            return AgentError(**report)
        if self.exit_status is None or (self.exit_status == 0 and self.clean):
            return None
        number = self.ring.cells[FAILED]
        if number == errno.EPROTO:
            from .floor import OTHER_HINT

            return AgentError(
                "bad-setting", "the floor program belongs to another version of this agent", "floor_program", OTHER_HINT
            )
        if number:
            return system_failure(OSError(number, os.strerror(number)), self._line)
        if os.WIFSIGNALED(self.exit_status):
            how = f"was killed by signal {os.WTERMSIG(self.exit_status)}"
        else:
            how = f"ended with code {os.WEXITSTATUS(self.exit_status)}"
        return AgentError(
            "responder-died", f"the {self.name} {how}", f"process {self.pid}",
            "look for the kernel's out-of-memory messages (dmesg) or for whoever ended it, and run again",
        )  # fmt: skip

    def close(self) -> None:
        """Stop and give everything back."""
        self.stop()
        for fd in (self.report_fd, self._go_fd):
            if fd >= 0:
                os.close(fd)
        self.report_fd = self._go_fd = -1


def _work(
    ring: Ring,
    body: Body,
    realtime: Realtime,
    line: Optional[InputLine],
    report: int,
    go: int,
    parent: int,
    prelude: Callable[[], Json],
    become: Optional[Become],
) -> int:
    def end(_signal: int, _frame: object) -> None:
        ring.stop()
        if line is not None:
            line.interrupt()

    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGTERM, end)
    for number in (signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, SIGNALS)
    try:
        die_with_parent(signal.SIGTERM)
        if os.getppid() != parent:
            return 1
        in_effect, warnings = apply_realtime(realtime)
        if become is not None:
            become(in_effect, json.dumps({"in_effect": in_effect, "warnings": warnings})[:-1], (report, go), parent)
        ring.prefault()
        gc.collect()
        gc.disable()
        gc.freeze()
        answer = {"in_effect": in_effect, "warnings": warnings, "found": prelude()}
        os.write(report, json.dumps(answer).encode())
        if not os.read(go, 1):
            return 0
        body(lambda: os.write(report, json.dumps({"started_ns": board_ns()}).encode()))
        ring.cells[CLEAN] = 1
        return 0
    except AgentError as error:
        ring.leave_error(error.as_json())
    except OSError as error:
        if not (isinstance(error, BlockingIOError) and ring.cells[STOP]):
            ring.leave_error(system_failure(error, line).as_json())
    except BaseException as error:
        ring.leave_error(AgentError("internal", f"{type(error).__name__}: {error}").as_json())
    return 1


def system_failure(error: OSError, line: Optional[InputLine]) -> AgentError:
    """What an error of the system means to a process that answers."""
    if error.errno in GONE:
        return lost_line(error, str(line.spec) if line else "")
    return AgentError("responder-died", f"the system said: {error}")
