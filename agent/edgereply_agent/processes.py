"""Forking a process that shares the session's signal handlers only on the surface, and collecting it."""

from __future__ import annotations

import os
import signal
from typing import Optional

SIGNALS = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)


def fork() -> int:
    """As `os.fork`; the child starts with `SIGNALS` blocked.

    Until it has its own handlers, a signal would be written into the session's wake-up pipe, as if it were the
    session that had to end. The child unblocks them itself.
    """
    before = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    pid = os.fork()
    if pid:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return pid


class Forked:
    """A child of this process. `exit_status` is as `os.waitpid` gives it, None until it was collected."""

    pid: int
    exit_status: Optional[int] = None

    def alive(self) -> bool:
        """Whether the process still runs; collects it when not."""
        if self.exit_status is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            if pid:
                self.exit_status = status
        return self.exit_status is None

    def kill(self) -> None:
        """End it by force, unless it has ended, and collect it."""
        if self.alive():
            os.kill(self.pid, signal.SIGKILL)
            _, self.exit_status = os.waitpid(self.pid, 0)
