"""All responses laid over each other with the stimulus at zero, counted in bins; nothing here draws."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.histogram import nice_width
from edgereply.analysis.arrays.ordered import ordered
from edgereply.analysis.arrays.presence import NO_STAMP


@dataclass(frozen=True, slots=True)
class Persistence:
    """All responses laid over each other, the stimulus at zero.

    Attributes:
        edges_ns: shape (k + 1,), int64, time after the stimulus.
        rises: shape (k,), int64, responses that rose within the bin.
        falls: shape (k,), int64.
        high: shape (k,), int64, responses that were high at the end of the bin.
        stimuli: number of stimuli; the rest is low.
    """

    edges_ns: Int64s
    rises: Int64s
    falls: Int64s
    high: Int64s
    stimuli: int


def end_of(reaction_ns: Int64s, pulse_width_ns: Int64s, per_cent: int) -> int:
    """When so many in a hundred of the responses have ended.

    Args:
        reaction_ns: shape (n,), int64; NO_STAMP where missed.
        pulse_width_ns: shape (n,), int64; NO_STAMP where there is none.
        per_cent: 1 to 100.

    Returns:
        Nanoseconds after the stimulus; 0 for no response.
    """
    ends = ordered(reaction_ns, _whole(reaction_ns, pulse_width_ns), pulse_width_ns)
    return int(ends.at(np.array([(ends.size * per_cent - 1) // 100]))[0]) if ends.size else 0


def persistence_edges(pairs: list[tuple[Int64s, Int64s]], fine: int, coarse: int) -> Int64s:
    """Bins after the stimulus: fine ones where responses usually are, coarse ones out to the last.

    Args:
        pairs: reaction time and pulse width of each run, each shape (n,), int64.
        fine: about how many bins for the usual part.
        coarse: about how many for the rest.

    Returns:
        Rising edges from 0, shape (k + 1,), int64, k at least 1.
    """
    # Stamps that went wrong may end before the stimulus.
    usual = max([0, *(end_of(*pair, 99) for pair in pairs)]) * 3 // 2 + 1
    last = max([0, *(int(np.max(rise + width, where=_whole(rise, width), initial=0)) for rise, width in pairs)]) + 1
    width = nice_width(min(usual, last), fine)
    edges = width * np.arange(-(-min(usual, last) // width) + 1, dtype=np.int64)
    rest = last - int(edges[-1])
    if rest <= 0:
        return edges
    wide = max(width, nice_width(rest, coarse))
    return np.concatenate([edges, edges[-1] + wide * np.arange(1, -(-rest // wide) + 1, dtype=np.int64)])


def persistence(reaction_ns: Int64s, pulse_width_ns: Int64s, edges_ns: Int64s, stimuli: int) -> Persistence:
    """Lay all responses over each other.

    Args:
        reaction_ns: shape (n,), int64; NO_STAMP where missed.
        pulse_width_ns: shape (n,), int64; NO_STAMP where there is none: those stay out.
        edges_ns: shape (k + 1,), int64, rising, time after the stimulus.
        stimuli: number of stimuli, at least n.

    Returns:
        Rises, falls and level by time after the stimulus.
    """
    whole = _whole(reaction_ns, pulse_width_ns)
    risen = ordered(reaction_ns, whole).below(edges_ns)
    fallen = ordered(reaction_ns, whole, pulse_width_ns).below(edges_ns)
    return Persistence(edges_ns, np.diff(risen), np.diff(fallen), (risen - fallen)[1:], stimuli)


def _whole(reaction_ns: Int64s, pulse_width_ns: Int64s) -> Bools:
    return np.asarray((reaction_ns != NO_STAMP) & (pulse_width_ns != NO_STAMP), np.bool_)
