"""How far long work is, on stderr, a line every few seconds."""

import time

from edgereply.cli.common import say

EVERY_S = 2.0


class ProgressLines:
    """Counts units of work done.

    Args:
        total: about how many there will be; 0 where that is not known.
        unit: what they are.
    """

    def __init__(self, total: int, unit: str) -> None:
        self._total = total
        self._unit = unit
        self._done = 0
        self._started_s = self._said_s = time.monotonic()

    def __call__(self, more: int) -> None:
        """Take in that so many more are done."""
        from edgereply.wording.numbers import time_left

        self._done += more
        now_s = time.monotonic()
        if now_s - self._said_s < EVERY_S:
            return
        self._said_s = now_s
        if not self._done or self._done >= self._total:
            say(f"{self._done:,} {self._unit}")
            return
        left_s = (now_s - self._started_s) * (self._total - self._done) / self._done
        say(f"{self._done:,} of about {self._total:,} {self._unit}, {time_left(left_s)} left")
