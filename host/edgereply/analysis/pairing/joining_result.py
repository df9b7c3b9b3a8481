"""The result of joining: each stimulus with its edge, the edges that are left, and how the two clocks relate."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Uint8s


class JoinStatus(IntEnum):
    """What became of a stimulus."""

    JOINED = 0
    UNSEEN = 1
    AMBIGUOUS = 2


@dataclass(frozen=True, slots=True)
class Join:
    """Stimuli with the board's edges, in the caller's order.

    Attributes:
        edge_index: index of the edge per stimulus, int64, -1 where there is none.
        status: uint8 `JoinStatus` per stimulus.
        extra_index: indices of the edges that belong to no stimulus, ascending.
        edges: number of edges given.
        offset_ns: board clock minus source clock at the earliest stimulus; None if refused.
        drift_ppm: mean rate of the board's clock over the source's, less one; None if refused.
        residual_ns: standard deviation (from the median absolute deviation) of the joined edges
            around the followed offset; None if refused.
        reason: why the join as a whole was refused; empty if it was not.
    """

    edge_index: Int64s
    status: Uint8s
    extra_index: Int64s
    edges: int
    offset_ns: int | None
    drift_ppm: float | None
    residual_ns: float | None
    reason: str

    def _count(self, status: JoinStatus) -> int:
        return int(np.count_nonzero(self.status == status))

    @property
    def joined(self) -> int:
        """Stimuli with their edge."""
        return self._count(JoinStatus.JOINED)

    @property
    def unseen(self) -> int:
        """Stimuli with no edge."""
        return self._count(JoinStatus.UNSEEN)

    @property
    def ambiguous(self) -> int:
        """Stimuli whose edge cannot be told."""
        return self._count(JoinStatus.AMBIGUOUS)

    @property
    def extra(self) -> int:
        """Edges that belong to no stimulus."""
        return int(self.extra_index.size)

    @property
    def ambiguous_edges(self) -> int:
        """Edges that may belong to an ambiguous stimulus: edges - joined - extra."""
        return self.edges - self.joined - self.extra
