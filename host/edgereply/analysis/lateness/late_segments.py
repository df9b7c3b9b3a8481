"""Which part of the answer took the extra time when it was late."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.distributions import student_isf
from edgereply.analysis.arrays.quantiles import quantiles
from edgereply.analysis.statistics.intervals import count_needed

_MAIN = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentShare:
    """One segment's part in being late.

    Attributes:
        usual_ns: its median among answers on time.
        extra_ns: mean time above that among late answers.
        share: of the extra time of all segments; negative where it was shorter than usual.
        low: lower end of the share's 95 % interval.
        high: upper end.
    """

    usual_ns: int
    extra_ns: float
    share: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LateSegments:
    """All segments' parts.

    Attributes:
        late: late answers looked at.
        shares: by name of the segment.
        main: the segment that holds at least 60 % of the extra time with 95 % confidence; None if none does.
    """

    late: int
    shares: dict[str, SegmentShare]
    main: str | None


def blame_segments(segments_ns: Mapping[str, Int64s], late: Bools) -> LateSegments | None:
    """Split the extra time of late answers over the segments.

    Args:
        segments_ns: by name, shape (n,), int64, nanoseconds; together they make up the reaction.
        late: shape (n,), bool.

    Returns:
        See `LateSegments`; None for fewer than 6 late answers (no interval for a median), none on time, or
        late answers that took no extra time.
    """
    count = int(np.count_nonzero(late))
    if count < count_needed(0.5) or count == late.size or not segments_ns:
        return None
    names = list(segments_ns)
    usual = [int(quantiles(segments_ns[name][~late], [0.5])[0]) for name in names]
    extra = np.stack([segments_ns[n][late] - u for n, u in zip(names, usual, strict=True)]).astype(np.float64)
    whole = float(extra.sum())
    if whole <= 0.0:
        return None
    totals = extra.sum(axis=0)
    reach = student_isf(0.025, count - 1) * math.sqrt(count) / whole
    shares = {}
    for i, name in enumerate(names):
        share = float(extra[i].sum()) / whole
        # A ratio of sums varies as the sum of x - share * y (Cochran, Sampling Techniques, section 2.11).
        spread = reach * float((extra[i] - share * totals).std(ddof=1))
        shares[name] = SegmentShare(
            usual_ns=usual[i],
            extra_ns=float(extra[i].mean()),
            share=share,
            low=share - spread,
            high=share + spread,
        )
    main = [name for name, part in shares.items() if part.low >= _MAIN]
    return LateSegments(late=count, shares=shares, main=main[0] if main else None)
