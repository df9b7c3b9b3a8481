"""How likely a response answers a stimulus by the usual reaction alone, and the stretches that counting leaves open.

Per stimulus: missed with `miss`; or answered. An idle board answers in the usual range with probability `share`, else
anywhere in the window. A board that was still answering when the stimulus came (the response before is later than the
stimulus) answers either a short service time after that response, or in the usual range (a pipeline). Spurious
responses: `spurious` per stimulus. Every assignment that keeps the order is summed over by `posterior`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s, Places
from edgereply.analysis.pairing.posterior import UNCERTAIN_INDEX, Settled, settle
from edgereply.analysis.pairing.stretches import Stretches, spread
from edgereply.analysis.pairing.usual_reaction import Usual

CELLS_AT_ONCE = 1 << 18
# A stretch up to this many stimuli is weighed whole; a longer one in pieces, each with all the
# stimuli around it that could compete for its responses.
WHOLE = 384
PIECE = 128
# More than this many edges that compete: left ambiguous, the window is too wide for the rate.
LARGEST = 512


@dataclass(frozen=True, slots=True)
class Model:
    """What the readings are weighed with; times in ns, probabilities per stimulus."""

    usual: Usual
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


def _log_pairs(stimulus: Int64s, rise: Int64s, before: Int64s, model: Model) -> tuple[Floats, Floats]:
    """Log density, per mean interval, that each response answers each stimulus.

    Returns:
        Shape (stretches, rows, columns) twice: when the response before is an answer, and when not.
    """
    reaction = rise[:, None, :] - stimulus[:, :, None]
    service = rise[:, None, :] - before[:, None, :]
    busy = before[:, None, :] >= stimulus[:, :, None]
    usual = model.usual
    width, top = max(1.0, float(usual.high_ns - usual.low_ns)), max(1.0, float(usual.high_ns))
    share = min(max(usual.share, 0.1), 0.999)
    in_range = ((reaction >= usual.low_ns) & (reaction <= usual.high_ns)) / width
    steady = ((service >= usual.low_ns) & (service <= usual.high_ns)) / width
    short = (service <= usual.high_ns) / top
    anywhere = 1.0 / model.window_ns
    idle = share * in_range + (1 - share) * anywhere
    queued = 0.3 * (in_range + steady + short) + 0.1 * anywhere
    earlier = before[:, None, :] - stimulus[:, :, None]
    # Of two usual answers the second is the double; in a wide range the first may be a stray edge.
    idle = np.where((earlier >= usual.low_ns) & (earlier <= usual.high_ns), idle * usual.chance**4, idle)
    possible = (reaction >= 0) & (reaction <= model.window_ns)
    scale = model.interval_ns * (1 - model.miss)
    with np.errstate(divide="ignore"):
        after_other = np.log(np.where(possible, idle * scale, 0.0))
        after_answer = np.where(busy & possible, np.log(queued * scale), after_other)
    return after_answer, after_other


def weigh(batch: Batch, model: Model) -> Settled:
    """Settle what can be settled in a batch of padded stretches.

    Args:
        batch: the stretches.
        model: what the readings are weighed with.
    """
    miss = np.log(np.where(batch.near, model.coalesce, model.miss))
    opened = (batch.open_start, batch.open_end)
    pairs = _log_pairs(batch.stimulus, batch.rise, batch.before, model)
    return settle(pairs, miss, float(np.log(model.spurious)), batch.sizes, opened, model.doubt)


@dataclass(frozen=True, slots=True)
class Pieces:
    """Parts to weigh, and the core of each whose result counts; half-open index ranges."""

    part: Stretches
    core: Stretches
    open_start: Bools
    open_end: Bools

    def where(self, chosen: Places) -> Pieces:
        """The chosen ones."""
        return Pieces(self.part.where(chosen), self.core.where(chosen), self.open_start[chosen], self.open_end[chosen])


def cut_pieces(hard: Stretches, stimulus: Int64s, rise: Int64s, window_ns: int) -> Pieces:
    """Cut long stretches so that no piece grows with the run."""
    whole = (hard.stimuli <= WHOLE) & (hard.rises <= WHOLE)
    owner = np.repeat(np.arange(whole.size), np.where(whole, 1, -(-hard.stimuli // PIECE)))
    order = np.arange(owner.size) - np.searchsorted(owner, owner, side="left")
    kept = whole[owner]
    start, end = hard.stimulus_start[owner], hard.stimulus_end[owner]
    rise_start, rise_end = hard.rise_start[owner], hard.rise_end[owner]
    core_start = start + order * PIECE
    core_end = np.where(kept, end, np.minimum(core_start + PIECE, end))
    first = np.maximum(np.searchsorted(stimulus, stimulus[core_start] - window_ns), start)
    last = np.minimum(np.searchsorted(stimulus, stimulus[core_end - 1] + window_ns, side="right"), end)
    first, last = np.where(kept, start, first), np.where(kept, end, last)
    part = Stretches(
        first,
        last,
        np.where(first == start, rise_start, np.searchsorted(rise, stimulus[first])),
        np.where(
            last == end,
            rise_end,
            np.minimum(np.searchsorted(rise, stimulus[last - 1] + window_ns, side="right"), rise_end),
        ),
    )
    following = stimulus[np.minimum(core_end, stimulus.size - 1)]
    core = Stretches(
        core_start,
        core_end,
        np.where(core_start == start, rise_start, np.searchsorted(rise, stimulus[core_start])),
        np.where(core_end == end, rise_end, np.searchsorted(rise, following)),
    )
    return Pieces(part, core, first > start, last < end)


def weigh_all(
    hard: Stretches, stimulus: Int64s, rise: Int64s, near: Bools, model: Model, partner: Int64s, spurious: Bools
) -> None:
    """Weigh the open stretches.

    Args:
        hard: the stretches.
        stimulus, rise: the edges, int64 ns, sorted.
        near: per stimulus, see `Batch`.
        model: what the readings are weighed with.
        partner: written for the stretches' stimuli: index of the rise, MISSED_INDEX or UNCERTAIN_INDEX.
        spurious: written for the stretches' rises: True where a rise surely answers nothing.
    """
    pieces = cut_pieces(hard, stimulus, rise, model.window_ns)
    rows = _round_up(pieces.part.stimuli)
    columns = _round_up(pieces.part.rises)
    before = np.concatenate(([np.iinfo(np.int64).min // 2], rise[:-1]))
    for height, width in np.unique(np.column_stack((rows, columns)), axis=0).tolist():
        alike = np.flatnonzero((rows == height) & (columns == width))
        step = max(1, CELLS_AT_ONCE // (height * width))
        for start in range(0, alike.size, step):
            some = pieces.where(alike[start : start + step])
            if height > LARGEST or width > LARGEST:
                index, _ = spread(some.core.stimulus_start, some.core.stimuli)
                partner[index] = UNCERTAIN_INDEX
                continue
            part = some.part
            i = np.minimum(part.stimulus_start[:, None] + np.arange(height), stimulus.size - 1)
            j = np.minimum(part.rise_start[:, None] + np.arange(width), rise.size - 1)
            sizes = (part.stimuli, part.rises)
            batch = Batch(stimulus[i], rise[j], before[j], near[i], sizes, some.open_start, some.open_end)
            _write(weigh(batch, model), some, partner, spurious)


def _round_up(count: Int64s) -> Int64s:
    """The next power of two, at least 1."""
    return np.asarray(1 << np.ceil(np.log2(np.maximum(count, 1))).astype(np.int64), dtype=np.int64)


def _write(settled: Settled, pieces: Pieces, partner: Int64s, spurious: Bools) -> None:
    """Write the cores' results; from the first to the last doubtful stimulus of a whole stretch all is doubtful."""
    part, core = pieces.part, pieces.core
    doubtful = settled.partner == UNCERTAIN_INDEX
    after_first = np.logical_or.accumulate(doubtful, axis=1)
    before_last = np.logical_or.accumulate(doubtful[:, ::-1], axis=1)[:, ::-1]
    whole = ~(pieces.open_start | pieces.open_end)[:, None]
    found = np.where(settled.partner >= 0, settled.partner + part.rise_start[:, None], settled.partner)
    found[after_first & before_last & whole] = UNCERTAIN_INDEX
    index, owner = spread(core.stimulus_start, core.stimuli)
    partner[index] = found[owner, index - part.stimulus_start[owner]]
    index, owner = spread(core.rise_start, core.rises)
    spurious[index] = settled.spurious[owner, index - part.rise_start[owner]]
