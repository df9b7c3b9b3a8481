"""Ctrl-C and its kin: handled in another way for a while, or held back where half a step would be worse."""

import contextlib
import signal
import sys
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
def interrupts_ignored() -> Iterator[None]:
    """Let what is started inside ignore Ctrl-C, as it inherits that; from another thread than the main one, nothing."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def hold_back_interrupts() -> set[Any] | None:
    """Keep SIGINT from this thread and from what it starts, until `let_through`; nothing where signals have no masks.

    Returns:
        The mask there was before.
    """
    if sys.platform == "win32" or not hasattr(signal, "pthread_sigmask"):
        return None
    return signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})


def let_through(mask: set[Any] | None) -> None:
    """Set the mask that `hold_back_interrupts` returned."""
    if sys.platform != "win32" and mask is not None:
        signal.pthread_sigmask(signal.SIG_SETMASK, mask)


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
