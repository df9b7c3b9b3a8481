"""Weigh every order-preserving story of a short stretch of stimuli and responses.

A story says which response answers which stimulus, which stimuli were missed and which responses
are spurious. The sum over all stories (forward and backward, as for a hidden Markov chain) gives
the probability of each single pair; a stretch is settled only where one reading has nearly all of
the weight. Stretches of like size are weighed together, so the cost is in numpy and not in Python.

Model, per stimulus: missed with `miss`; or answered. An idle board answers in the typical zone
with probability `share`, else anywhere in the window. A board that was still answering when the
stimulus came (the response before is later than the stimulus) answers either a short service time
after that response, or in the zone (a pipeline). Spurious responses: `spurious` per stimulus.

Source: forward-backward recursions, L. R. Rabiner, Proc. IEEE 77 (1989) 257-286, section III.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s
from edgereply.analysis.pairing.pairing_zone import Zone

MISSED_INDEX = -1
UNCERTAIN_INDEX = -2


@dataclass(frozen=True, slots=True)
class Model:
    """What the stories are weighed with; times in ns, probabilities per stimulus."""

    zone: Zone
    window_ns: int
    interval_ns: float
    miss: float
    spurious: float
    coalesce: float = 0.5
    doubt: float = 1e-4


@dataclass(frozen=True, slots=True)
class Batch:
    """Stretches of like size, padded at the end to the same number of rows and columns.

    Attributes:
        stimulus: shape (stretches, rows), int64 ns.
        rise: shape (stretches, columns), int64 ns.
        before: like `rise`, the response just before each one.
        near: like `stimulus`, True where the stimulus came so soon after the one before it, with no
            response between, that one answer may serve both.
        sizes: true numbers of stimuli and of responses of each stretch.
        open_start, open_end: per stretch, True where it is cut out of a longer one, so that its
            first (last) responses may belong to stimuli outside.
    """

    stimulus: Int64s
    rise: Int64s
    before: Int64s
    near: Bools
    sizes: tuple[Int64s, Int64s]
    open_start: Bools
    open_end: Bools


@dataclass(frozen=True, slots=True)
class Verdict:
    """Weighed stretches: for each stimulus the response, and what each response is.

    Attributes:
        partner: shape (stretches, stimuli), index in the stretch, or MISSED_INDEX, or
            UNCERTAIN_INDEX; padding is MISSED_INDEX.
        spurious: shape (stretches, responses), True where the response surely answers nothing.
    """

    partner: Int64s
    spurious: Bools


def _log_pairs(stimulus: Int64s, rise: Int64s, before: Int64s, model: Model) -> tuple[Floats, Floats]:
    """Log density, per mean interval, that each response answers each stimulus.

    Returns:
        Shape (stretches, rows, columns) twice: when the response before is an answer, and when not.
    """
    reaction = rise[:, None, :] - stimulus[:, :, None]
    service = rise[:, None, :] - before[:, None, :]
    busy = before[:, None, :] >= stimulus[:, :, None]
    zone = model.zone
    width, top = max(1.0, float(zone.high_ns - zone.low_ns)), max(1.0, float(zone.high_ns))
    share = min(max(zone.share, 0.1), 0.999)
    usual = ((reaction >= zone.low_ns) & (reaction <= zone.high_ns)) / width
    steady = ((service >= zone.low_ns) & (service <= zone.high_ns)) / width
    short = (service <= zone.high_ns) / top
    anywhere = 1.0 / model.window_ns
    idle = share * usual + (1 - share) * anywhere
    queued = 0.3 * (usual + steady + short) + 0.1 * anywhere
    earlier = before[:, None, :] - stimulus[:, :, None]
    # Of two usual answers the second is the double; in a wide zone the first may be a stray edge.
    idle = np.where((earlier >= zone.low_ns) & (earlier <= zone.high_ns), idle * zone.chance**4, idle)
    possible = (reaction >= 0) & (reaction <= model.window_ns)
    scale = model.interval_ns * (1 - model.miss)
    with np.errstate(divide="ignore"):
        after_other = np.log(np.where(possible, idle * scale, 0.0))
        after_answer = np.where(busy & possible, np.log(queued * scale), after_other)
    return after_answer, after_other


def _accumulate(base: Floats, step: float) -> Floats:
    """Sum over any number of spurious responses taken one after another."""
    ramp = step * np.arange(base.shape[1])
    return np.asarray(np.logaddexp.accumulate(base - ramp, axis=1) + ramp, dtype=np.float64)


def _forward(pairs: tuple[Floats, Floats], miss: Floats, step: float, open_start: Bools) -> Floats:
    """Log weight of all story beginnings; last axis: the response before is an answer, or is not."""
    count, rows, columns = pairs[0].shape
    total = np.full((2, count, rows + 1, columns + 1), -np.inf)
    answer, other = total
    other[:, 0] = np.where(open_start[:, None], 0.0, step * np.arange(columns + 1))
    for row in range(rows):
        answer[:, row + 1] = answer[:, row] + miss[:, row, None]
        came = np.logaddexp(answer[:, row, :-1] + pairs[0][:, row], other[:, row, :-1] + pairs[1][:, row])
        answer[:, row + 1, 1:] = np.logaddexp(answer[:, row + 1, 1:], came)
        base = other[:, row] + miss[:, row, None]
        base[:, 1:] = np.logaddexp(base[:, 1:], answer[:, row + 1, :-1] + step)
        other[:, row + 1] = _accumulate(base, step)
    return total


def _backward(
    pairs: tuple[Floats, Floats], miss: Floats, step: float, sizes: tuple[Int64s, Int64s], open_end: Bools
) -> Floats:
    """Log weight of all story endings, axes as in `_forward`."""
    count, rows, columns = pairs[0].shape
    total = np.full((2, count, rows + 1, columns + 1), -np.inf)
    answer, other = total
    for row in range(rows, -1, -1):
        base = np.full((2, count, columns + 1), -np.inf)
        if row < rows:
            base = total[:, :, row + 1] + miss[:, row, None]
            for kind in (0, 1):
                going = answer[:, row + 1, 1:] + pairs[kind][:, row]
                base[kind, :, :-1] = np.logaddexp(base[kind, :, :-1], going)
        ends = np.flatnonzero(sizes[0] == row)
        base[:, ends, sizes[1][ends]] = 0.0
        free = ends[open_end[ends]]
        inside = np.arange(columns + 1) <= sizes[1][free][:, None]
        base[:, free] = np.where(inside, 0.0, base[:, free])
        other[:, row] = _accumulate(base[1][:, ::-1], step)[:, ::-1]
        answer[:, row] = base[0]
        answer[:, row, :-1] = np.logaddexp(base[0][:, :-1], other[:, row, 1:] + step)
    return total


def weigh(batch: Batch, model: Model) -> Verdict:
    """Settle what can be settled in a batch of padded stretches.

    Args:
        batch: the stretches.
        model: what the stories are weighed with.
    """
    rows, columns = np.arange(batch.stimulus.shape[1]), np.arange(batch.rise.shape[1])
    real_rows, real_columns = rows < batch.sizes[0][:, None], columns < batch.sizes[1][:, None]
    real = real_rows[:, :, None] & real_columns[:, None, :]
    after_answer, after_other = _log_pairs(batch.stimulus, batch.rise, batch.before, model)
    pairs = (np.where(real, after_answer, -np.inf), np.where(real, after_other, -np.inf))
    miss = np.log(np.where(batch.near, model.coalesce, model.miss))
    step = float(np.log(model.spurious))
    ahead = _forward(pairs, miss, step, batch.open_start)
    behind = _backward(pairs, miss, step, batch.sizes, batch.open_end)
    anywhere = np.logaddexp.reduce(behind[1][:, 0], axis=1)
    total = np.where(batch.open_start, anywhere, behind[1][:, 0, 0])[:, None, None]
    came = np.logaddexp(ahead[0][:, :-1, :-1] + pairs[0], ahead[1][:, :-1, :-1] + pairs[1])
    paired = np.exp(came + behind[0][:, 1:, 1:] - total)
    skipped = ahead[:, :, :-1] + miss[None, :, :, None] + behind[:, :, 1:]
    missed = np.exp(skipped - total).sum(axis=(0, 3))
    best = paired.argmax(axis=2)
    strongest = np.take_along_axis(paired, best[:, :, None], axis=2)[:, :, 0]
    partner = np.where(strongest >= 1 - model.doubt, best, UNCERTAIN_INDEX)
    partner[missed >= 1 - model.doubt] = MISSED_INDEX
    partner[~real_rows] = MISSED_INDEX
    spurious = (paired.sum(axis=1) <= model.doubt) & real_columns
    return Verdict(partner.astype(np.int64), spurious)
