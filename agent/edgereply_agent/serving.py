"""A session on stdin and stdout, woken by signals."""

from __future__ import annotations

import os
import signal

from .processes import SIGNALS
from .session import Session
from .wire import Wire


def serve_stdio() -> int:
    """Serve a host on stdin and stdout.

    Returns:
        The process's exit code, see `Session.run`.
    """
    wire = Wire.claim_stdio()
    wakeup_fd, signal_fd = os.pipe()
    os.set_blocking(signal_fd, False)
    signal.set_wakeup_fd(signal_fd, warn_on_full_buffer=False)
    for number in SIGNALS:
        signal.signal(number, lambda _number, _frame: None)
    return Session(wire, wakeup_fd).run()
