"""How well one time between two stamps of one clock is known, by the book.

Source: JCGM 100:2008 (GUM): 4.2 (repeated readings), 4.3.7 (rectangular distributions), 5.1.2 (combination), 6.2.1
(expanded uncertainty, k = 2).
"""

import math
from dataclasses import dataclass

COVERAGE = 2.0


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties in nanoseconds, and what they make together.

    Attributes:
        resolution_ns: of a difference of two stamps, each uniform over one tick: tick / √6.
        repeatability_ns: of the mean of repeated readings: s / √n.
        clock_ns: of the clock's rate, uniform over its tolerance: time · tolerance / √3.
        combined_ns: root of the sum of squares.
        expanded_ns: k = 2, about 95 %.
    """

    resolution_ns: float
    repeatability_ns: float
    clock_ns: float
    combined_ns: float
    expanded_ns: float


def interval_budget(time_ns: float, tick_ns: float, tolerance_ppm: float, std_ns: float, count: int) -> Budget:
    """Budget of the mean of `count` measured times.

    Args:
        time_ns: their mean.
        tick_ns: resolution of each stamp.
        tolerance_ppm: the clock's rate is within ± this.
        std_ns: standard deviation of the readings.
        count: number of readings, at least 1.

    Raises:
        ValueError: a negative value, or no reading.
    """
    if count < 1 or min(tick_ns, tolerance_ppm, std_ns) < 0:
        raise ValueError("a budget takes at least one reading and no negative resolution, tolerance or deviation")
    resolution = tick_ns / math.sqrt(6.0)
    repeatability = std_ns / math.sqrt(count)
    clock = abs(time_ns) * tolerance_ppm * 1e-6 / math.sqrt(3.0)
    combined = math.sqrt(resolution**2 + repeatability**2 + clock**2)
    return Budget(resolution, repeatability, clock, combined, COVERAGE * combined)


@dataclass(frozen=True, slots=True)
class KnownTo:
    """How well an instrument knows the times it recorded.

    Attributes:
        resolution_ns: width of the rectangle within which a stamp lies.
        tolerance_ppm: the sample clock's rate is within ± this.
    """

    resolution_ns: float
    tolerance_ppm: float

    def expanded_ns(self, time_ns: float) -> float:
        """Expanded uncertainty (k = 2) of one time between two stamps."""
        return interval_budget(time_ns, self.resolution_ns, self.tolerance_ppm, 0.0, 1).expanded_ns

    def widen(self, low_ns: int, high_ns: int) -> tuple[int, int]:
        """An interval from counting alone, widened at either end by what the instrument does not know.

        The two are added, not combined by squares: a clock that is off is off for every answer.
        """
        low = math.floor(low_ns - self.expanded_ns(low_ns))
        return (max(0, low) if low_ns >= 0 else low), math.ceil(high_ns + self.expanded_ns(high_ns))
