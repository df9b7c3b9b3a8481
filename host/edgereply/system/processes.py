"""How processes are started, written to and ended, on systems that have different words for it."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any, Final

# Where signals have numbers, that of the one that cannot be refused.
KILLED: Final = 9
_AGAIN_S: Final = 0.01


def apart() -> dict[str, Any]:
    """Options of `subprocess.Popen` for a child that a Ctrl-C typed at our terminal does not reach."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}


def takes_more(descriptor: int) -> Callable[[float], bool]:
    """Keep a pipe from blocking; gives a function that waits, at most so many seconds, until it may take bytes.

    Where a pipe cannot be asked, it waits a moment and says yes: whoever writes must bear a refusal anyway.

    Args:
        descriptor: of the end that is written to.
    """
    if sys.platform == "win32" or not hasattr(select, "poll"):
        return _after_a_moment
    os.set_blocking(descriptor, False)
    poll = select.poll()
    poll.register(descriptor, select.POLLOUT)
    return lambda timeout_s: bool(poll.poll(1000 * timeout_s))


def _after_a_moment(timeout_s: float) -> bool:
    time.sleep(min(_AGAIN_S, timeout_s))
    return True
