"""Forking a process that shares the session's signal handlers only on the surface."""

from __future__ import annotations

import os
import signal

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
