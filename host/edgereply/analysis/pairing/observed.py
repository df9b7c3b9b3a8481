"""What a recording of limited length can say: a stimulus near its end may have its answer beyond it.

Left out are stimuli that were watched for less than the window, answered or not: leaving out only those without an
answer would favour the quick ones.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.pairing.result import Pairing

_KEPT = 0.98


def affordable_window_ns(watched_ns: Int64s, most_ns: int) -> int:
    """The longest window, up to a limit, that leaves 98 of 100 stimuli.

    Args:
        watched_ns: shape (n,), int64: recorded time after each stimulus.
        most_ns: the limit, at least 1.

    Returns:
        Nanoseconds, at least 1; the limit where there is no stimulus.
    """
    if not watched_ns.size:
        return most_ns
    place = int(np.ceil((1.0 - _KEPT) * watched_ns.size)) - 1
    return int(np.clip(np.partition(watched_ns, place)[place], 1, most_ns))


@dataclass(frozen=True, slots=True, eq=False)
class Observed:
    """What of a recording may be judged.

    Attributes:
        stimulus: shape (n,), bool: watched for the whole window.
        rise: shape (m,), bool: not the answer to a stimulus outside.
        late_stimuli: stimuli left out.
        early_rises, late_rises: responses left out near the beginning and the end of a segment.
    """

    stimulus: Bools
    rise: Bools
    late_stimuli: int
    early_rises: int
    late_rises: int


def observed(pairing: Pairing, rise_ns: Int64s, starts_ns: Int64s, ends_ns: Int64s, window_ns: int) -> Observed:
    """Tell what was watched long enough.

    Args:
        pairing: of all stimuli and all rises.
        rise_ns: shape (m,), int64, all rises in order.
        starts_ns, ends_ns: shape (k,), int64, of the segments, in order and apart.
        window_ns: an answer comes at most this long after its stimulus.
    """
    stimulus = pairing.stimulus_ns
    keep = ends_ns[_segment(stimulus, starts_ns)] - stimulus >= window_ns
    answers = pairing.rise_ns[pairing.rise_ns != NO_STAMP]
    theirs = pairing.rise_ns[~keep & (pairing.rise_ns != NO_STAMP)]
    answering = np.isin(rise_ns, answers)
    segment = _segment(rise_ns, starts_ns)
    first_out = np.full(starts_ns.size, np.iinfo(np.int64).max)
    np.minimum.at(first_out, _segment(stimulus[~keep], starts_ns), stimulus[~keep])
    first = np.full(starts_ns.size, np.iinfo(np.int64).max)
    np.minimum.at(first, _segment(stimulus, starts_ns), stimulus)
    early = ~answering & (rise_ns - starts_ns[segment] <= window_ns) & (rise_ns < first[segment])
    late = np.isin(rise_ns, theirs) | (~answering & (rise_ns >= first_out[segment]))
    late &= ~early
    return Observed(
        keep, ~(early | late), int(np.count_nonzero(~keep)), int(np.count_nonzero(early)), int(np.count_nonzero(late))
    )


def _segment(at_ns: Int64s, starts_ns: Int64s) -> Places:
    return np.maximum(np.searchsorted(starts_ns, at_ns, "right") - 1, 0)
