"""Ctrl-C and its kin: handled in another way for a while, or held back where half a step would be worse."""

import contextlib
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from types import FrameType
from typing import Any

Handler = Callable[[int, FrameType | None], object]

SIGNALS = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))


@contextlib.contextmanager
def handled_by(handler: Handler, numbers: Iterable[int] = SIGNALS) -> Iterator[dict[int, Any]]:
    """Let a function handle these signals inside; from the main thread only. Yields the handlers there were before."""
    before = {number: signal.signal(number, handler) for number in numbers}
    try:
        yield before
    finally:
        for number, old in before.items():
            signal.signal(number, old)


@contextlib.contextmanager
def interrupts_deferred() -> Iterator[None]:
    """Let a signal that comes inside take effect at the end, once. Other threads than the main one get none anyway.

    Masking would not do: the system hands a signal to any thread that takes it, and its handler runs in the main one.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    # What is ignored stays so, and what ends the process at once is not ours to hold back.
    numbers = [number for number in SIGNALS if callable(signal.getsignal(number))]
    with handled_by(lambda number, _: came.append(number), numbers) as before:
        yield
    if came:
        before[came[0]](came[0], None)
