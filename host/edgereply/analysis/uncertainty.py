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


def stamp_uncertainty_ns(tick_ns: float) -> float:
    """Standard uncertainty of one stamp that is uniform over a tick: tick / √12."""
    return tick_ns / math.sqrt(12.0)


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
