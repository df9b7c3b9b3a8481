"""The virtual source's own clock, which agrees with the computer's as little as a real one does."""

from __future__ import annotations

from dataclasses import dataclass

_SCALE = 10**18


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualClock:
    """Ticks as a straight line over the computer's monotonic clock.

    Attributes:
        tick_hz: nominal ticks a second.
        drift_ppb: how much faster it really runs, in parts per thousand million.
        offset: tick at ``origin_ns``.
        origin_ns: a moment of the monotonic clock.
    """

    tick_hz: int
    drift_ppb: int
    offset: int
    origin_ns: int

    def ticks(self, at_ns: int) -> int:
        """Returns: ticks, not wrapped, at a moment of the monotonic clock."""
        return self.offset + (at_ns - self.origin_ns) * self.tick_hz * (10**9 + self.drift_ppb) // _SCALE

    def at_ns(self, ticks: int) -> int:
        """Returns: the first moment of the monotonic clock at which so many ticks have passed."""
        rate = self.tick_hz * (10**9 + self.drift_ppb)
        return self.origin_ns - (-(ticks - self.offset) * _SCALE // rate)
