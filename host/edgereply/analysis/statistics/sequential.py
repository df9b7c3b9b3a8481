"""Measure until the p99.9 is known within 5 %, without fooling oneself by looking often.

Looking at an interval again and again and stopping when it pleases makes it wrong more often than
it says. Here looks are planned: the k-th may fail with probability alpha / (k (k + 1)), and these
add up to alpha however many looks there are. So with probability 1 - alpha every interval of the
whole sequence holds the true quantile, also the one at which the run stopped, whatever made it stop
(union bound).

A narrow interval is also what a run has in which no disturbance came so far, and a rule that stops at
narrow intervals seeks such runs out. So the first look is where an interval has ruled out groups of
ten late answers that did not come (`quantile_intervals`), and a look at which late answers come in
too few groups, or in states that last, stops nothing: the run goes on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.statistics.quantile_intervals import Method, interval_count, quantile_interval

# Each look has half as many answers again as the one before.
_GROWTH = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One planned look at a run.

    Attributes:
        number: 1 for the first look.
        count: answers looked at.
        confidence: of this look's interval.
        value_ns: the quantile, None where there are too few answers for one.
        low_ns: lower end; None where the quantile is rough.
        high_ns: upper end; None where the quantile is rough.
        rough: late answers come in too few groups, or in states that last, for an interval: no reason to stop.
        method: how the interval was found.
        precise: whether both ends lie within the wanted fraction of the value: stop here.
    """

    number: int
    count: int
    confidence: float
    value_ns: int | None
    low_ns: int | None
    high_ns: int | None
    rough: bool
    method: Method | None
    precise: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopping:
    """Whether a run may stop.

    Attributes:
        looks: all looks made, the last of them decides.
        stop: whether the quantile is known well enough.
        next_count: answers at the next planned look; looking earlier is not covered.
    """

    looks: tuple[Look, ...]
    stop: bool
    next_count: int


def look_confidence(number: int, confidence: float = 0.95) -> float:
    """Confidence of the interval at one look: 1 - alpha / (k (k + 1)).

    Args:
        number: k, from 1.
        confidence: of the whole sequence, strictly within 0 to 1.

    Returns:
        The look's confidence.
    """
    return 1.0 - (1.0 - confidence) / (number * (number + 1))


def look_count(number: int, p: float, confidence: float = 0.95) -> int:
    """Answers at which a look is planned.

    Args:
        number: k, from 1.
        p: probability of the quantile.
        confidence: of the whole sequence.

    Returns:
        The fewest answers with an interval at the first look, then half as many again each time.
    """
    return math.ceil(interval_count(p, look_confidence(1, confidence)) * _GROWTH ** (number - 1))


def may_stop(values_ns: Int64s, p: float = 0.999, within: float = 0.05, confidence: float = 0.95) -> Stopping:
    """Go through the planned looks that a run has reached.

    Args:
        values_ns: shape (n,), int64, nanoseconds, in order of time, all answers so far.
        p: probability of the quantile, strictly within 0 to 1.
        within: wanted precision as a fraction of the quantile.
        confidence: that no look of the sequence is wrong, strictly within 0 to 1.

    Returns:
        See `Stopping`; looks end at the first precise one.

    Raises:
        ValueError: `within` is not positive.
    """
    if not within > 0.0:
        raise ValueError(f"the wanted precision is positive, got {within!r}")
    looks: list[Look] = []
    while (count := look_count(len(looks) + 1, p, confidence)) <= values_ns.size:
        looks.append(_look(values_ns[:count], p, within, len(looks) + 1, confidence))
        if looks[-1].precise:
            break
    stop = bool(looks) and looks[-1].precise
    return Stopping(looks=tuple(looks), stop=stop, next_count=look_count(len(looks) + 1, p, confidence))


def _look(values_ns: Int64s, p: float, within: float, number: int, confidence: float) -> Look:
    here = look_confidence(number, confidence)
    found = quantile_interval(values_ns, p, here)
    ends = None if found is None else found.ends_ns
    value_ns = None if found is None else found.value_ns
    reach = math.inf if ends is None or value_ns is None else max(ends[1] - value_ns, value_ns - ends[0])
    return Look(
        number=number,
        count=int(values_ns.size),
        confidence=here,
        value_ns=value_ns,
        low_ns=None if ends is None else ends[0],
        high_ns=None if ends is None else ends[1],
        rough=found is not None and found.rough,
        method=None if found is None else found.method,
        precise=reach <= within * abs(value_ns or 0),
    )
