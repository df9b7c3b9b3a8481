"""Stimuli whose answer the source alone could not tell, settled by the board's own stamps.

The board says how long it took from its edge to its output, pulse by pulse. What is outside the board's software is
nearly the same for every pulse, so that the time of the rise can be predicted; a rise that is the only one there is
the answer.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from edgereply.analysis.pairing import NO_STAMP, Pairing, Status

Int64s = NDArray[np.int64]

LEAST_PAIRS = 20
LEAST_TOLERANCE_NS = 1_000
APART = 3


def settle(pairing: Pairing, inside_ns: Int64s) -> Pairing:
    """Pair ambiguous stimuli where the board's stamps single out one rise.

    Args:
        pairing: what the source's clock alone gave.
        inside_ns: shape (stimuli,), int64: the board's set − edge of each joined stimulus, `NO_STAMP` elsewhere.

    Returns:
        The pairing with those stimuli paired; the same object where nothing could be settled.
    """
    prediction = _predict(pairing, inside_ns)
    rises = pairing.ambiguous_rise_ns
    if prediction is None or not len(rises):
        return pairing
    rows, predicted, tolerance = prediction
    after = np.clip(np.searchsorted(rises, predicted), 0, len(rises) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(rises[before] - predicted) <= np.abs(rises[after] - predicted)
    chosen = np.where(nearer, before, after)
    distance = np.abs(rises[chosen] - predicted)
    left = np.where(chosen > 0, np.abs(rises[np.maximum(chosen - 1, 0)] - predicted), APART * tolerance + 1)
    beyond = np.minimum(chosen + 1, len(rises) - 1)
    right = np.where(chosen + 1 < len(rises), np.abs(rises[beyond] - predicted), APART * tolerance + 1)
    claims = np.bincount(chosen[distance <= APART * tolerance], minlength=len(rises))
    alone = (distance <= tolerance) & (np.minimum(left, right) > APART * tolerance) & (claims[chosen] == 1)
    return _paired(pairing, rows[alone], chosen[alone]) if alone.any() else pairing


def _predict(pairing: Pairing, inside_ns: Int64s) -> tuple[NDArray[np.intp], Int64s, int] | None:
    there = inside_ns != NO_STAMP
    known = there & (pairing.status == Status.PAIRED)
    if np.count_nonzero(known) < LEAST_PAIRS:
        return None
    outside = pairing.rise_ns[known] - pairing.stimulus_ns[known] - inside_ns[known]
    centre = np.median(outside)
    tolerance = int(np.quantile(np.abs(outside - centre), 0.99)) + LEAST_TOLERANCE_NS
    rows = np.flatnonzero(there & (pairing.status == Status.AMBIGUOUS))
    return rows, pairing.stimulus_ns[rows] + inside_ns[rows] + int(centre), tolerance


def _paired(pairing: Pairing, rows: NDArray[np.intp], chosen: NDArray[np.intp]) -> Pairing:
    rises, falls = pairing.ambiguous_rise_ns, pairing.ambiguous_fall_ns
    rise_ns, fall_ns, status = pairing.rise_ns.copy(), pairing.fall_ns.copy(), pairing.status.copy()
    rise_ns[rows] = rises[chosen]
    status[rows] = Status.PAIRED
    ends = np.append(rises, np.iinfo(np.int64).max)[chosen + 1]
    at = np.searchsorted(falls, rises[chosen], side="right")
    found = at < len(falls)
    found[found] = falls[at[found]] < ends[found]
    fall_ns[rows[found]] = falls[at[found]]
    return replace(
        pairing,
        rise_ns=rise_ns,
        fall_ns=fall_ns,
        status=status,
        ambiguous_rise_ns=np.delete(rises, chosen),
        ambiguous_fall_ns=np.delete(falls, at[found]),
    )
