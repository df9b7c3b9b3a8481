"""Which of a stretch's responses answers which stimulus: the sum over every assignment that keeps the order.

An assignment says which response belongs to which stimulus, which stimuli have none, and which responses are nobody's.
Its likelihood is the product of those of its pairs, gaps and strays. The best one would be found by dynamic programming
(Needleman and Wunsch 1970); the same recursion with sums for maxima, forward and backward, gives the probability of
each single pair, so that what is not nearly certain can be left open instead of being guessed. Stretches of like size
go together, so that the cost is in numpy and not in Python.

Source: forward-backward recursions, L. R. Rabiner, Proc. IEEE 77 (1989) 257-286, section III.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s

MISSED_INDEX = -1
UNCERTAIN_INDEX = -2


@dataclass(frozen=True, slots=True)
class Settled:
    """For each stimulus the response, and what each response is.

    Attributes:
        partner: shape (stretches, stimuli), index in the stretch, or MISSED_INDEX, or UNCERTAIN_INDEX; padding is
            MISSED_INDEX.
        spurious: shape (stretches, responses), True where the response surely answers nothing.
    """

    partner: Int64s
    spurious: Bools


def settle(
    pairs: tuple[Floats, Floats],
    miss: Floats,
    stray: float,
    sizes: tuple[Int64s, Int64s],
    opened: tuple[Bools, Bools],
    doubt: float,
    echo: Floats | None = None,
) -> Settled:
    """Take the pairs that have nearly all of the probability.

    Args:
        pairs: log-likelihood of each pair, shape (stretches, rows, columns): where the response before is an answer,
            and where it is not.
        miss: log-likelihood that a stimulus has no response, shape (stretches, rows).
        stray: log-likelihood that a response is nobody's.
        sizes: true numbers of stimuli and of responses of each stretch; the rest is padding.
        opened: per stretch, True where its begin (its end) is cut out of a longer one, so that its first (last)
            responses may belong to stimuli outside.
        doubt: probability beside a reading up to which it is taken.
        echo: log-likelihood that a response is nobody's though the one before is an answer, shape (stretches,
            columns); None where that makes no difference.
    """
    _, height, width = pairs[0].shape
    real_rows, real_columns = np.arange(height) < sizes[0][:, None], np.arange(width) < sizes[1][:, None]
    real = real_rows[:, :, None] & real_columns[:, None, :]
    pairs = (np.where(real, pairs[0], -np.inf), np.where(real, pairs[1], -np.inf))
    echo = np.full(real_columns.shape, stray) if echo is None else echo
    ahead = _forward(pairs, miss, stray, opened[0], echo)
    behind = _backward(pairs, miss, stray, sizes, opened[1], echo)
    anywhere = np.logaddexp.reduce(behind[1][:, 0], axis=1)
    total = np.where(opened[0], anywhere, behind[1][:, 0, 0])[:, None, None]
    came = np.logaddexp(ahead[0][:, :-1, :-1] + pairs[0], ahead[1][:, :-1, :-1] + pairs[1])
    paired = np.exp(came + behind[0][:, 1:, 1:] - total)
    skipped = ahead[:, :, :-1] + miss[None, :, :, None] + behind[:, :, 1:]
    missed = np.exp(skipped - total).sum(axis=(0, 3))
    best = paired.argmax(axis=2)
    strongest = np.take_along_axis(paired, best[:, :, None], axis=2)[:, :, 0]
    partner = np.where(strongest >= 1 - doubt, best, UNCERTAIN_INDEX)
    partner[missed >= 1 - doubt] = MISSED_INDEX
    partner[~real_rows] = MISSED_INDEX
    spurious = (paired.sum(axis=1) <= doubt) & real_columns
    return Settled(partner.astype(np.int64), spurious)


def _accumulate(base: Floats, stray: float) -> Floats:
    """Sum over any number of strays taken one after another."""
    ramp = stray * np.arange(base.shape[1])
    return np.asarray(np.logaddexp.accumulate(base - ramp, axis=1) + ramp, dtype=np.float64)


def _forward(pairs: tuple[Floats, Floats], miss: Floats, stray: float, open_start: Bools, echo: Floats) -> Floats:
    """Log-likelihood of all beginnings; first axis: the response before is an answer, or is not."""
    count, rows, columns = pairs[0].shape
    total = np.full((2, count, rows + 1, columns + 1), -np.inf)
    answer, other = total
    other[:, 0] = np.where(open_start[:, None], 0.0, stray * np.arange(columns + 1))
    for row in range(rows):
        answer[:, row + 1] = answer[:, row] + miss[:, row, None]
        came = np.logaddexp(answer[:, row, :-1] + pairs[0][:, row], other[:, row, :-1] + pairs[1][:, row])
        answer[:, row + 1, 1:] = np.logaddexp(answer[:, row + 1, 1:], came)
        base = other[:, row] + miss[:, row, None]
        base[:, 1:] = np.logaddexp(base[:, 1:], answer[:, row + 1, :-1] + echo)
        other[:, row + 1] = _accumulate(base, stray)
    return total


def _backward(
    pairs: tuple[Floats, Floats],
    miss: Floats,
    stray: float,
    sizes: tuple[Int64s, Int64s],
    open_end: Bools,
    echo: Floats,
) -> Floats:
    """Log-likelihood of all endings, axes as in `_forward`."""
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
        other[:, row] = _accumulate(base[1][:, ::-1], stray)[:, ::-1]
        answer[:, row] = base[0]
        answer[:, row, :-1] = np.logaddexp(base[0][:, :-1], other[:, row, 1:] + echo)
    return total
