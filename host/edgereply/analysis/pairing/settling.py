"""Stimuli whose answer the source alone could not tell, settled by the board's own stamps.

The board says how long it took from its edge to its output, pulse by pulse. What is outside the board's software is
nearly the same for every pulse, so that the time of the rise can be predicted; a rise that is the only one there is
the answer.
"""

from dataclasses import dataclass, replace

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places
from edgereply.analysis.pairing.pairing import NO_STAMP, Pairing, Status

LEAST_PAIRS = 20
# Evenly spread over the run, they tell its usual time outside the board well enough.
ENOUGH_PAIRS = 1 << 20
LEAST_SPREAD_NS = 500
CLEARER = 3


def settle(pairing: Pairing, inside_ns: Int64s, unseen: Bools | None = None) -> Pairing:
    """Pair ambiguous stimuli where the board's stamps single out one rise; miss those the board never saw.

    A rise and a prediction belong together when each is the other's nearest, they are as close as plain pairs are, and
    the next candidate on either side is at least three times as far away.

    Args:
        pairing: what the source's clock alone gave.
        inside_ns: shape (stimuli,), int64: the board's set − edge of each joined stimulus, `NO_STAMP` elsewhere.
        unseen: shape (stimuli,), bool: stimuli of which the board has no edge although it has those around them.

    Returns:
        The pairing with those stimuli paired or missed; the same object where nothing could be settled. Once no
        stimulus is open, rises left over answered nothing.
    """
    settled = _matched(pairing, inside_ns)
    if unseen is not None and np.any(lost := unseen & (settled.status == Status.AMBIGUOUS)):
        status = settled.status.copy()
        status[lost] = Status.MISSED
        settled = replace(settled, status=status)
    if settled is not pairing and not np.any(settled.status == Status.AMBIGUOUS):
        none = np.empty(0, np.int64)
        settled = replace(
            settled,
            spurious_rise_ns=np.sort(np.concatenate([settled.spurious_rise_ns, settled.ambiguous_rise_ns])),
            spurious_fall_ns=np.sort(np.concatenate([settled.spurious_fall_ns, settled.ambiguous_fall_ns])),
            ambiguous_rise_ns=none,
            ambiguous_fall_ns=none,
        )
    return settled


def _matched(pairing: Pairing, inside_ns: Int64s) -> Pairing:
    rises = pairing.ambiguous_rise_ns
    prediction = _predict(pairing, inside_ns) if len(rises) else None
    if prediction is None or not len(prediction.rows):
        return pairing
    order = np.argsort(prediction.rise_ns, kind="stable")
    expected, rows = prediction.rise_ns[order], prediction.rows[order]
    chosen, distance, second = _nearest(expected, rises)
    back, _, rival = _nearest(rises, expected)
    margin = CLEARER * np.maximum(distance, prediction.spread_ns)
    mutual = back[chosen] == np.arange(len(expected))
    sure = mutual & (distance <= prediction.reach_ns) & (second >= margin) & (rival[chosen] >= margin)
    return _paired(pairing, rows[sure], chosen[sure]) if sure.any() else pairing


@dataclass(frozen=True, slots=True)
class _Prediction:
    rows: Places
    rise_ns: Int64s
    spread_ns: int
    reach_ns: int


def _nearest(wanted: Int64s, among: Int64s) -> tuple[Places, Int64s, Int64s]:
    """Index of the nearest value, its distance, and the distance of the next nearest."""
    far = np.int64(2**62)
    padded = np.concatenate([[-far], among, [far]])
    after = np.searchsorted(padded, wanted)
    gaps = np.stack([np.abs(padded[np.clip(after + step, 0, len(padded) - 1)] - wanted) for step in (-2, -1, 0, 1)])
    place = np.argsort(gaps, axis=0, kind="stable")[:2]
    lanes = np.arange(len(wanted))
    index = np.clip(after + place[0] - 2 - 1, 0, len(among) - 1)
    return index, gaps[place[0], lanes], gaps[place[1], lanes]


def _predict(pairing: Pairing, inside_ns: Int64s) -> _Prediction | None:
    there = inside_ns != NO_STAMP
    known = np.flatnonzero(there & (pairing.status == Status.PAIRED))
    if known.size < LEAST_PAIRS:
        return None
    known = known[:: -(-known.size // ENOUGH_PAIRS)]
    outside = pairing.rise_ns[known] - pairing.stimulus_ns[known] - inside_ns[known]
    centre = int(np.median(outside))
    off = np.abs(outside - centre)
    rows = np.flatnonzero(there & (pairing.status == Status.AMBIGUOUS))
    return _Prediction(
        rows,
        pairing.stimulus_ns[rows] + inside_ns[rows] + centre,
        max(LEAST_SPREAD_NS, int(np.median(off))),
        2 * LEAST_SPREAD_NS + int(np.quantile(off, 0.99)),
    )


def _paired(pairing: Pairing, rows: Places, chosen: Places) -> Pairing:
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
