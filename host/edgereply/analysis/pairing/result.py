"""What pairing finds: each stimulus with its response, what is left of the responses, and the edges of both."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.arrays.presence import NO_STAMP, present
from edgereply.analysis.pairing.clock import first_from


class Status(IntEnum):
    """What became of a stimulus."""

    PAIRED = 0
    MISSED = 1
    COALESCED = 2
    AMBIGUOUS = 3
    UNOBSERVED = 4


class Rise(IntEnum):
    """What a response is."""

    SPURIOUS = 0
    ANSWER = 1
    AMBIGUOUS = 2


def unknown(status: Uint8s) -> Bools:
    """Which stimuli are in no figure, since it is not known what became of them: ambiguous or unobserved.

    Args:
        status: shape (n,), uint8 `Status`.
    """
    return np.asarray((status == Status.AMBIGUOUS) | (status == Status.UNOBSERVED))


@dataclass(frozen=True, slots=True)
class Pairing:
    """Stimuli with their responses, in order of time.

    Attributes:
        stimulus_ns: sorted stimuli, int64 ns.
        rise_ns, fall_ns: the response's edges per stimulus, NO_STAMP where there is none.
        status: uint8 `Status` per stimulus.
        spurious_rise_ns: rises that answer nothing.
        spurious_fall_ns: falls that belong to no paired and no ambiguous rise.
        ambiguous_rise_ns, ambiguous_fall_ns: edges the ambiguous stimuli compete for.
    """

    stimulus_ns: Int64s
    rise_ns: Int64s
    fall_ns: Int64s
    status: Uint8s
    spurious_rise_ns: Int64s
    spurious_fall_ns: Int64s
    ambiguous_rise_ns: Int64s
    ambiguous_fall_ns: Int64s

    def _count(self, status: Status) -> int:
        return int(np.count_nonzero(self.status == status))

    @property
    def stimuli(self) -> int:
        """Number of stimuli: paired + missed + coalesced + ambiguous + unobserved."""
        return int(self.stimulus_ns.size)

    @property
    def paired(self) -> int:
        """Stimuli with their own response."""
        return self._count(Status.PAIRED)

    @property
    def missed(self) -> int:
        """Stimuli with no response."""
        return self._count(Status.MISSED)

    @property
    def coalesced(self) -> int:
        """Stimuli whose neighbour's response served them too."""
        return self._count(Status.COALESCED)

    @property
    def ambiguous(self) -> int:
        """Stimuli whose response cannot be told."""
        return self._count(Status.AMBIGUOUS)

    @property
    def unobserved(self) -> int:
        """Stimuli without a response that were not watched for a whole window."""
        return self._count(Status.UNOBSERVED)

    @property
    def spurious(self) -> int:
        """Rises that answer nothing."""
        return int(self.spurious_rise_ns.size)

    @property
    def responses(self) -> int:
        """Number of rises: paired + spurious + ambiguous ones."""
        return self.paired + self.spurious + int(self.ambiguous_rise_ns.size)

    @property
    def falls_lost(self) -> int:
        """Paired responses whose fall was not seen before the next rise."""
        return int(np.count_nonzero((self.status == Status.PAIRED) & (self.fall_ns == NO_STAMP)))

    @property
    def reaction_ns(self) -> Int64s:
        """Reaction times of the paired stimuli, in order."""
        chosen = self.status == Status.PAIRED
        return np.asarray(self.rise_ns[chosen] - self.stimulus_ns[chosen], dtype=np.int64)


def sorted_edges(edges: ArrayLike, name: str) -> Int64s:
    """Check that edges are a one-dimensional array of whole nanoseconds, and sort it.

    Raises:
        ValueError: not one-dimensional, not integers, or holding NO_STAMP.
    """
    array = np.asarray(edges)
    if array.ndim != 1:
        raise ValueError(f"{name} must have one dimension, got shape {array.shape}: pass a flat array of edges")
    if array.size == 0:
        return np.zeros(0, dtype=np.int64)
    if array.dtype.kind not in "iu":
        raise ValueError(f"{name} must be whole nanoseconds (int64), got {array.dtype}: convert the stamps first")
    array = array.astype(np.int64, copy=False)
    if np.any(array[1:] < array[:-1]):
        array = np.sort(array)
    if array[0] == NO_STAMP:
        raise ValueError(f"{name} holds NO_STAMP: leave out the edges that have no stamp")
    return array


def match_falls(rise_ns: Int64s, fall_ns: Int64s) -> tuple[Int64s, Int64s]:
    """Give each rise the first fall after it and before the next rise.

    Returns:
        The fall per rise (NO_STAMP where it was lost), and the falls no rise took.
    """
    if rise_ns.size == 0:
        return np.zeros(0, dtype=np.int64), fall_ns
    taken = np.zeros(fall_ns.size, dtype=np.bool_)
    matched = np.full(rise_ns.size, NO_STAMP, dtype=np.int64)
    if fall_ns.size == 0:
        return matched, fall_ns

    def match(part: slice) -> None:
        rise = rise_ns[part]
        following = np.append(rise_ns[part.start + 1 : part.stop + 1], np.iinfo(np.int64).max)[: rise.size]
        first = first_from(fall_ns, rise + 1)
        fall = fall_ns[np.minimum(first, fall_ns.size - 1)]
        has = (first < fall_ns.size) & (fall < following)
        taken[first[has]] = True
        matched[part][has] = fall[has]

    chunkwise(match, rise_ns.size)
    return matched, fall_ns[~taken]


def assemble(
    stimulus: Int64s,
    rise: Int64s,
    fall: Int64s,
    partner: Int64s,
    status: Uint8s,
    kind: Uint8s,
) -> Pairing:
    """Put stamps for indices, and give each rise its fall.

    Args:
        stimulus, rise, fall: int64 ns, sorted.
        partner: shape (stimuli,), int64: index of each one's rise, negative for none.
        status: shape (stimuli,), uint8 `Status`.
        kind: shape (rises,), uint8 `Rise`.
    """
    rise_fall, orphan = match_falls(rise, fall)
    answered = partner >= 0
    rise_out, fall_out = (np.full(stimulus.size, NO_STAMP, dtype=np.int64) for _ in range(2))

    def put(part: slice) -> None:
        own = partner[part][answered[part]]
        rise_out[part][answered[part]] = rise[own]
        fall_out[part][answered[part]] = rise_fall[own]

    chunkwise(put, stimulus.size)
    spurious, ambiguous = kind == Rise.SPURIOUS, kind == Rise.AMBIGUOUS
    return Pairing(
        stimulus_ns=stimulus,
        rise_ns=rise_out,
        fall_ns=fall_out,
        status=status,
        spurious_rise_ns=rise[spurious],
        spurious_fall_ns=np.sort(np.concatenate((orphan, present(rise_fall[spurious])))),
        ambiguous_rise_ns=rise[ambiguous],
        ambiguous_fall_ns=present(rise_fall[ambiguous]),
    )
