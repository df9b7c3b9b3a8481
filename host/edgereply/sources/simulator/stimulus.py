"""The stimulus settings of a pulse source: stored in ticks, limited as the command set says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

from edgereply.sources import limits
from edgereply.sources.arrivals import TickPlan
from edgereply.sources.base import Pattern
from edgereply.sources.simulator.grammar import CommandError

LIMIT_32 = 0xFFFF_FFFF
# About what one turn of the loop that emits takes.
SHORTEST_GAP_NS = 20_000
_RANGES_NS = {
    "period": limits.PERIOD_NS,
    "width": limits.WIDTH_NS,
    "floor": limits.FLOOR_NS,
    "spread": limits.SPREAD_NS,
    "shortest_gap": (SHORTEST_GAP_NS, limits.GAP_NS[1]),
    "longest_gap": (SHORTEST_GAP_NS, limits.GAP_NS[1]),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedStimulus:
    """One set of settings; times in ticks."""

    tick_hz: int
    period: int
    width: int
    floor: int
    spread: int
    count: int = 100
    seed: int = 1
    pattern: Pattern = "exponential"
    inverted: bool = False
    shortest_gap: int = 0
    longest_gap: int = 0

    @classmethod
    def default(cls, tick_hz: int) -> SimulatedStimulus:
        """Returns: the settings after ``*RST``."""
        ms = Fraction(1, 1000)
        return cls(
            tick_hz=tick_hz,
            period=_ticks(5 * ms, tick_hz),
            width=_ticks(ms / 20, tick_hz),
            floor=_ticks(ms, tick_hz),
            spread=_ticks(ms, tick_hz),
            shortest_gap=_ticks(ms / 10, tick_hz),
            longest_gap=_ticks(ms, tick_hz),
        )

    def with_time(self, name: str, seconds: Fraction) -> SimulatedStimulus:
        """Returns: the settings with one time changed.

        Raises:
            CommandError: -222 outside its own range.
        """
        least_ns, most_ns = _RANGES_NS[name]
        if not least_ns <= seconds * 1_000_000_000 <= most_ns:
            raise CommandError(-222)
        return replace(self, **{name: _ticks(seconds, self.tick_hz)})  # type: ignore[arg-type]

    def with_number(self, name: str, value: int) -> SimulatedStimulus:
        """Returns: the settings with the count or the seed changed.

        Raises:
            CommandError: -222 outside 1 to 2**32 - 1.
        """
        if not 1 <= value <= LIMIT_32:
            raise CommandError(-222)
        return replace(self, **{name: value})  # type: ignore[arg-type]

    def seconds(self, name: str) -> str:
        """Returns: one time as the instrument answers it."""
        ticks: int = getattr(self, name)
        return f"{ticks / self.tick_hz:.11E}"

    def check(self) -> None:
        """Check what must go together.

        Raises:
            CommandError: -221 when it does not.
        """
        least = _ticks(Fraction(limits.SHORTEST_INTERVAL_NS, 10**9), self.tick_hz)
        rest = _ticks(Fraction(limits.REST_NS, 10**9), self.tick_hz)
        shortest = {
            "periodic": self.period,
            "uniform": self.period - self.spread,
            "exponential": min(self.floor, self.period),
            "pairs": self.period,
        }[self.pattern]
        bad_floor = self.pattern == "exponential" and self.floor > self.period
        bad_gaps = self.pattern == "pairs" and not self.shortest_gap <= self.longest_gap <= self.period // 2
        if bad_floor or bad_gaps or shortest < least or self.width > shortest - rest:
            raise CommandError(-221)

    def plan(self) -> TickPlan:
        """Returns: what decides the intervals."""
        return TickPlan(
            pattern=self.pattern,
            period=self.period,
            floor=self.floor,
            spread=self.spread,
            seed=self.seed,
            shortest_gap=self.shortest_gap,
            longest_gap=self.longest_gap,
        )


def _ticks(seconds: Fraction, tick_hz: int) -> int:
    return (2 * seconds * tick_hz + 1) // 2
