"""Bring the stretches that counting leaves open to the weighing, in batches of like size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Places
from edgereply.analysis.pairing.pairing_story import UNCERTAIN_INDEX, Batch, Model, Verdict, weigh
from edgereply.analysis.pairing.pairing_stretches import Stretches
from edgereply.analysis.pairing.ranges import spread

CELLS_AT_ONCE = 1 << 18
# A stretch up to this many stimuli is weighed whole; a longer one in pieces, each with all the
# stimuli around it that could compete for its responses.
WHOLE = 384
PIECE = 128
# More than this many edges that compete: left ambiguous, the window is too wide for the rate.
LARGEST = 512


@dataclass(frozen=True, slots=True)
class Pieces:
    """Parts to weigh, and the core of each whose verdict counts; half-open index ranges."""

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
        near: per stimulus, see `pairing_story.Batch`.
        model: what the stories are weighed with.
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


def _write(verdict: Verdict, pieces: Pieces, partner: Int64s, spurious: Bools) -> None:
    """Write the cores' verdicts; from the first to the last doubtful stimulus of a whole stretch all is doubtful."""
    part, core = pieces.part, pieces.core
    doubtful = verdict.partner == UNCERTAIN_INDEX
    after_first = np.logical_or.accumulate(doubtful, axis=1)
    before_last = np.logical_or.accumulate(doubtful[:, ::-1], axis=1)[:, ::-1]
    whole = ~(pieces.open_start | pieces.open_end)[:, None]
    found = np.where(verdict.partner >= 0, verdict.partner + part.rise_start[:, None], verdict.partner)
    found[after_first & before_last & whole] = UNCERTAIN_INDEX
    index, owner = spread(core.stimulus_start, core.stimuli)
    partner[index] = found[owner, index - part.stimulus_start[owner]]
    index, owner = spread(core.rise_start, core.rises)
    spurious[index] = verdict.spurious[owner, index - part.rise_start[owner]]
