"""Ctrl-C and its kin held back where half a step would be worse than a moment's wait."""

import contextlib
import signal
import threading
from collections.abc import Iterator

_NAMES = ("SIGINT", "SIGTERM", "SIGHUP")


@contextlib.contextmanager
def interrupts_deferred() -> Iterator[None]:
    """Let a signal that comes inside take effect at the end, once. Other threads than the main one get none anyway.

    Masking would not do: the system hands a signal to any thread that takes it, and its handler runs in the main one.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    numbers = [getattr(signal, name) for name in _NAMES if hasattr(signal, name)]
    # What is ignored stays so, and what ends the process at once is not ours to hold back.
    before = {number: handler for number in numbers if callable(handler := signal.getsignal(number))}
    try:
        for number in before:
            signal.signal(number, lambda caught, _: came.append(caught))
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    if came:
        before[came[0]](came[0], None)
