"""Limits on a share of the answers that allow for marked answers coming in clusters."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.intervals import ProbabilityInterval, clopper_pearson
from edgereply.analysis.marks import marks_of, share_dependence


def share_interval(marked: NDArray[np.bool_], confidence: float = 0.95) -> ProbabilityInterval | None:
    """Two-sided interval for the share of marked answers.

    Args:
        marked: shape (n,), bool, in order of time, not empty.
        confidence: strictly within 0 to 1.

    Returns:
        Clopper and Pearson's limits for as many independent answers as these are worth; None where they are too
        clustered to say.
    """
    worth = share_dependence(marks_of(marked), confidence).effective_count
    if worth < 1.0:
        return None
    return clopper_pearson(worth * float(np.count_nonzero(marked)) / marked.size, worth, confidence)
