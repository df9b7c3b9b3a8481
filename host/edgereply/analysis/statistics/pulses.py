"""Pulses that stayed high too long: a finding of their own, not jitter.

Between writing high and writing low the responder can be put aside; the rise was on time, the
output stayed up. A machine that counts or times the pulse's width sees it, and so does the next
stimulus if the pulse is still up when it comes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.exceedances import share_interval
from edgereply.analysis.statistics.intervals import ProbabilityInterval

# Tukey's outer fence marks what is far out; a tight bulk must not make a harmless pulse long.
_FENCE = 3
_LEAST_RATIO = 1.5


@dataclass(frozen=True, slots=True, kw_only=True)
class LongPulses:
    """Pulses longer than a limit.

    Attributes:
        pulses: number of pulses judged.
        limit_ns: a pulse is long above this.
        median_ns: usual width.
        longest_ns: longest width.
        count: number of long pulses.
        share: 95 % interval for the share of long pulses; None where they are too clustered to say.
        places: shape (count,), int64: which pulses they are.
        into_next: how many long pulses were still up at the next stimulus; None when that is not known.
    """

    pulses: int
    limit_ns: int
    median_ns: int
    longest_ns: int
    count: int
    share: ProbabilityInterval | None
    places: Int64s
    into_next: int | None


def long_pulses(
    width_ns: Int64s,
    limit_ns: int | None = None,
    until_next_ns: Callable[[int], Int64s] | None = None,
) -> LongPulses | None:
    """Find pulses that stayed high too long.

    Args:
        width_ns: shape (n,), int64, nanoseconds, rise to fall, in order of time.
        limit_ns: what counts as long; when None, the larger of Tukey's outer fence (third quartile
            plus three interquartile ranges) and 1.5 times the median.
        until_next_ns: gives nanoseconds from rise to next stimulus, int64, of the pulses longer than so many.

    Returns:
        See `LongPulses`; None without pulses.
    """
    if width_ns.size == 0:
        return None
    lower, median, upper = quantiles(width_ns, [0.25, 0.5, 0.75]).tolist()
    if limit_ns is None:
        limit_ns = max(upper + _FENCE * (upper - lower), int(_LEAST_RATIO * median))
    long = width_ns > limit_ns
    places = np.flatnonzero(long)
    into_next = None
    if until_next_ns is not None:
        into_next = int(np.count_nonzero(width_ns[places] >= until_next_ns(limit_ns)))
    return LongPulses(
        pulses=int(width_ns.size),
        limit_ns=limit_ns,
        median_ns=median,
        longest_ns=int(width_ns.max()),
        count=int(places.size),
        share=share_interval(long),
        places=places,
        into_next=into_next,
    )
