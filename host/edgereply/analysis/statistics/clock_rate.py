"""How far a clock's rate is off another one's, and how well that is known.

The idea: a run is cut into ten pieces of equal length, each is reduced to one point, and a straight line goes through
the ten. Neighbouring readings are not independent (a tick of one clock beats with the other's, a serial line polls), so
a line through all of them would promise too much; points that are a tenth of the run apart scatter by what really is
not known, and the line's standard error from them has eight degrees of freedom.

Two kinds of readings: pulses of a known period that the clock has stamped, and stamps that reached another clock after
a delay. Of a delay only the shortest in each piece counts, since a late arrival says nothing about either clock (the
usual filter of network time, RFC 5905, 10).

Source of the uncertainty: JCGM 100:2008 (GUM): 4.2 (readings), 4.3.7 (rectangular), 5.1.2 (combination), G.4.1
(effective degrees of freedom), F.2.4.5 (an error that is known and not corrected).
"""

import math
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Floats, Int64s, Places
from edgereply.analysis.arrays.distributions import student_isf

PIECES = 10
LEAST_READINGS = 3 * PIECES
PROBABILITY = 0.95
_OFF_GRID = 0.1
_MOST_PPM = 20_000.0  # no clock that is worth a calibration is off by more; a period that was mistaken is
_ROUNDS = 4
_MANY = 1e9  # degrees of freedom; Student's t of infinitely many has no number here


@dataclass(frozen=True, slots=True)
class ClockRate:
    """A rate error in parts per million, with its budget of standard uncertainties.

    Attributes:
        error_ppm: positive when the clock is fast: it counts more time than has passed.
        repeatability_ppm: of the line through the pieces, with `PIECES` − 2 degrees of freedom.
        resolution_ppm: of the two stamps at the ends, each uniform over one tick.
        delay_ppm: what the shortest delay may have drifted by; 0 for pulses.
        reference_ppm: of the better clock, uniform over its tolerance.
        combined_ppm: root of the sum of squares.
        degrees: effective degrees of freedom.
        coverage: factor k for a probability of 95 %, by Student's t.
        expanded_ppm: k · combined.
        span_ns: length of the run on the better clock.
        readings: how many there were.
    """

    error_ppm: float
    repeatability_ppm: float
    resolution_ppm: float
    delay_ppm: float
    reference_ppm: float
    combined_ppm: float
    degrees: float
    coverage: float
    expanded_ppm: float
    span_ns: int
    readings: int

    @property
    def tolerance_ppm(self) -> float:
        """What to state as the clock's tolerance when times are taken as they are: the error and its uncertainty."""
        return abs(self.error_ppm) + self.expanded_ppm


def rate_by_pulses(at_ns: Int64s, period_ns: int, tick_ns: float, reference_ppm: float) -> ClockRate:
    """From pulses of a known period; some may be missing.

    Args:
        at_ns: int64[n], stamps of the clock in question, rising.
        period_ns: of the pulses, by the better clock.
        tick_ns: resolution of a stamp.
        reference_ppm: the better clock's rate is within ± this.

    Raises:
        ValueError: too few pulses, or they do not come at this period.
    """
    _enough(len(at_ns))
    steps = np.diff(at_ns) / period_ns
    whole = np.rint(steps)
    if (whole < 1).any() or (np.abs(steps - whole) > _OFF_GRID).any():
        raise ValueError(f"the pulses do not come every {period_ns} ns")
    true = np.concatenate([[0.0], np.cumsum(whole)]) * period_ns
    ahead = (at_ns - at_ns[0]).astype(np.float64) - true
    slope, error, _ = _line(true, ahead, shortest=False)
    if abs(slope) * 1e6 > _MOST_PPM:
        raise ValueError(f"the pulses do not come every {period_ns} ns")
    return _rate(slope, error, 0.0, tick_ns, reference_ppm, float(true[-1]), len(at_ns))


def rate_by_arrivals(at_ns: Int64s, arrived_ns: Int64s, tick_ns: float, reference_ppm: float) -> ClockRate:
    """From stamps and when they reached the better clock, each after some delay.

    Args:
        at_ns: int64[n], stamps of the clock in question, rising.
        arrived_ns: int64[n], the same events by the better clock, later by at least a constant.
        tick_ns, reference_ppm: as in `rate_by_pulses`.

    Raises:
        ValueError: too few readings.
    """
    _enough(len(at_ns))
    true = (arrived_ns - arrived_ns[0]).astype(np.float64)
    delay = true - (at_ns - at_ns[0])
    slope, error, spread = _line(true, delay, shortest=True)
    span = float(true[-1])
    return _rate(-slope, error, spread / math.sqrt(3.0) / span, tick_ns, reference_ppm, span, len(at_ns))


def _enough(count: int) -> None:
    if count < LEAST_READINGS:
        raise ValueError(f"{count} readings are too few, it takes {LEAST_READINGS}")


def _line(x: Floats, y: Floats, shortest: bool) -> tuple[float, float, float]:
    """Slope through one point a piece, its standard error, and how far the points spread about the line."""
    bounds = np.linspace(x[0], x[-1], PIECES + 1)
    bounds[-1] = np.inf
    piece = np.searchsorted(bounds, x, side="right") - 1
    pieces = [np.flatnonzero(piece == number) for number in range(PIECES)]
    for number, inside in enumerate(pieces, start=1):
        if not len(inside):
            raise ValueError(f"nothing was read in piece {number} of {PIECES} of the run")
    # On a slope a piece's shortest delay would be its first or last one: the slope found is taken off, and again.
    slope = float(np.polyfit(x - x.mean(), y, 1)[0])
    for _ in range(_ROUNDS):
        further, error, spread = _through(x, y - slope * x, pieces, shortest)
        slope += further
    return slope, error, spread


def _through(x: Floats, y: Floats, pieces: list[Places], shortest: bool) -> tuple[float, float, float]:
    """Ordinary least squares through one point a piece: slope, standard error, spread."""
    taken = [inside[[int(np.argmin(y[inside]))]] if shortest else inside for inside in pieces]
    along = np.array([x[inside].mean() for inside in taken])
    above = np.array([y[inside].mean() for inside in taken])
    along, above = along - along.mean(), above - above.mean()
    squares = float(along @ along)
    slope = float(along @ above) / squares
    left = above - slope * along
    return slope, math.sqrt(float(left @ left) / (PIECES - 2) / squares), float(np.ptp(left))


def _rate(
    slope: float, error: float, delay: float, tick_ns: float, reference_ppm: float, span: float, readings: int
) -> ClockRate:
    repeatability, drift = error * 1e6, delay * 1e6
    resolution = tick_ns / math.sqrt(6.0) / span * 1e6
    reference = reference_ppm / math.sqrt(3.0)
    combined = math.sqrt(repeatability**2 + resolution**2 + drift**2 + reference**2)
    # Everything but the readings is taken as exactly known, with infinite degrees of freedom (G.4.2).
    ratio = combined / repeatability if repeatability else math.inf
    degrees = min((PIECES - 2) * ratio**4, _MANY)
    coverage = student_isf(0.5 - PROBABILITY / 2, degrees)
    return ClockRate(slope * 1e6, repeatability, resolution, drift, reference, combined, degrees, coverage,
                     coverage * combined, round(span), readings)  # fmt: skip
