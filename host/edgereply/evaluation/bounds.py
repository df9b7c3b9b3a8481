"""What the figures of a run could be, whatever became of the stimuli that are in none of them.

Some stimuli are left out, since which answer is theirs cannot be told, or since the record ends before it could have
come. At best all of them were answered faster than every other, at worst slower than every other: the order statistics
move by as many places, and nothing in between can lie outside. No assumption is made about why they were left out
(C. F. Manski, Partial Identification of Probability Distributions (2003), ch. 1: worst-case bounds).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypedDict

from edgereply.analysis.statistics.summary import QUANTILES


class JsonBounds(TypedDict):
    """JSON-ready.

    Attributes:
        left_out: stimuli in no figure.
        reaction: least and most of each quantile, ns; None for the most where it may be any time, and for the least
            where it may be shorter than every answer known.
        late_share: least and most share of stimuli answered late or not at all.
    """

    left_out: int
    reaction: dict[str, list[int | None]]
    late_share: list[float]


def bounds(known: int, value_at: Callable[[int], int | None], lacking: int, left_out: int, late: int) -> JsonBounds:
    """Bound quantiles and the late share.

    Args:
        known: answered stimuli whose reaction is known.
        value_at: the reaction at a place, from 0 for the shortest to known - 1.
        lacking: stimuli known to have no answer of their own.
        left_out: stimuli of which nothing is known.
        late: known answers after the deadline.
    """
    stimuli = known + lacking + left_out
    found: dict[str, list[int | None]] = {}
    for name, p in QUANTILES.items():
        place = math.ceil(p * (known + left_out)) - 1
        found[name] = [value_at(at) if 0 <= at < known else None for at in (place - left_out, place)]
    share = [(late + lacking) / stimuli, (late + lacking + left_out) / stimuli] if stimuli else [0.0, 1.0]
    return {"left_out": left_out, "reaction": found, "late_share": share}
