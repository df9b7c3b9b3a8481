"""One deadline handed down through every wait that serves the same purpose."""

from __future__ import annotations

import math
import time


class Deadline:
    """A moment on the monotonic clock by which something must have happened.

    Args:
        seconds: from now; may be 0 (expired at once) but not negative or not-a-number.

    Raises:
        ValueError: the number of seconds is negative or not a number.
    """

    __slots__ = ("_end",)

    def __init__(self, seconds: float) -> None:
        if math.isnan(seconds) or seconds < 0:
            raise ValueError(f"a deadline lies 0 s or more ahead, not {seconds!r} s")
        self._end = time.monotonic() + seconds

    def remaining_s(self) -> float:
        """Returns: seconds left, never below 0."""
        return max(0.0, self._end - time.monotonic())

    def expired(self) -> bool:
        """Returns: whether no time is left."""
        return time.monotonic() >= self._end
