"""Which stamps of two trains belong together, once it is known where each of one should be in the other.

Nearly all stand alone where they should: one pass over both arrays matches those that are each other's nearest, close
enough, with no second candidate about as near. What is left, where stamps crowd, were held back or are missing, falls
into short stretches between certain pairs. In a stretch the assignment problem (H. W. Kuhn 1955, J. Munkres 1957) has
an order, since neither train overtakes itself: the best order-preserving assignment is found by dynamic programming,
and so is the probability of each pair (`posterior`). So a burst of stamps that were all late goes by order, and what
two readings explain about as well is left open.

The likelihood of a pair that is off by x: nearly always Laplace with the spread of the clean pairs; else the stamp was
held up, with a density of 1 / x, since held-up stamps have no scale of their own. The shares of held-up, lost and added
stamps are counted in the stretches themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s, Places
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.clock import nearest, padded, spread
from edgereply.analysis.pairing.posterior import UNCERTAIN_INDEX, settle

CHUNK = 1 << 15
# Beyond this many standard deviations a stamp is no ordinary one.
ORDINARY = 8.0
# Nor is one out of place that is off by less than this share of the mean interval, however quiet the rest: a lost stamp
# and an added one would have to meet there by chance.
NEAR = 1e-3
# So many residuals tell their spread well enough.
SAMPLE = 1 << 18
# One reading in a thousand may be wrong where two compete; nearly all pairs have no second reading at all.
DOUBT = 1e-3
# A stretch in which more compete than this is left open.
LARGEST = 256
CELLS_AT_ONCE = 1 << 18
LEAST_RATE = 1e-6


@dataclass(frozen=True, slots=True)
class Match:
    """Stamps matched.

    Attributes:
        partner: shape (n,), int64: index of each one's partner, -1 where there is none.
        ambiguous: shape (n,), bool: several readings are about as likely.
        extra: indices of the partners that are nobody's and compete for nothing.
        sigma_ns: standard deviation of the bulk of the residuals.
    """

    partner: Int64s
    ambiguous: Bools
    extra: Int64s
    sigma_ns: float


@dataclass(frozen=True, slots=True)
class Reach:
    """How far a held-up stamp may be before and after where it should be, ns."""

    before_ns: int
    after_ns: int


def match(target: Int64s, times: Int64s, sigma_ns: float, reach: Reach) -> Match:
    """Match two sorted trains on one clock.

    Args:
        target: shape (n,), int64 ns, sorted: where the stamps should be.
        times: shape (m,), int64 ns, sorted: where stamps are.
        sigma_ns: standard deviation of ordinary residuals, as far as it is known.
        reach: of stamps that are not ordinary.
    """
    partner = np.full(target.size, -1, np.int64)
    if not target.size or not times.size:
        return Match(partner, np.zeros(target.size, np.bool_), np.arange(times.size), sigma_ns)
    mean_ns = max(1.0, (int(target[-1]) - int(target[0])) / max(1, target.size - 1))
    found = _match_clear(target, times, partner, sigma_ns, mean_ns)
    ambiguous, uncertain = _settle_stretches(target, times, partner, found, mean_ns, reach)
    taken = np.zeros(times.size, np.bool_)
    taken[partner[partner >= 0]] = True
    taken[uncertain] = True
    return Match(partner, ambiguous, np.flatnonzero(~taken), found)


def _match_clear(target: Int64s, times: Int64s, partner: Int64s, sigma_ns: float, mean_ns: float) -> float:
    """Match those that are each other's nearest, close, and without a rival, into `partner`; their spread."""
    ordinary, margin = max(ORDINARY * sigma_ns, NEAR * mean_ns, 2.0), 4 * sigma_ns
    among, targets = padded(times), padded(target)
    residuals: list[Floats] = [np.empty(0)]

    def decide(part: slice) -> None:
        index, residual, second = nearest(target[part], among)
        owner, _, rival = nearest(times[index], targets)
        distance = np.abs(residual)
        clear = (owner == np.arange(part.start, part.stop)) & (distance <= ordinary)
        clear &= (second > ordinary) | (second - distance >= margin)
        clear &= (rival > ordinary) | (rival - distance >= margin)
        partner[part] = np.where(clear, index, -1)
        residuals.append(residual[clear][:: -(-target.size // SAMPLE)].astype(np.float64))

    chunkwise(decide, target.size, CHUNK)
    return spread(np.concatenate(residuals))


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Left-over targets and times that could belong together: indices in order, each stretch's begin and count in both,
    and the certain pair before it."""

    targets: Int64s
    times: Int64s
    target_start: Int64s
    target_count: Int64s
    time_start: Int64s
    time_count: Int64s
    after: Int64s


def _before(places: Places) -> Places:
    """The last place before each of the given ones, rising, that is not one of them; -1 where there is none."""
    first = np.diff(places, prepend=-2) != 1
    return np.asarray(np.maximum.accumulate(np.where(first, places - 1, -1)))


def _left_over(target: Int64s, times: Int64s, partner: Int64s, reach: Reach) -> _Stretches:
    """Cut what is not matched at the certain pairs, and where nothing is within reach."""
    open_target = np.flatnonzero(partner < 0)
    taken = np.zeros(times.size, np.bool_)
    taken[partner if not open_target.size else partner[partner >= 0]] = True
    open_time = np.flatnonzero(~taken)
    del taken
    # Certain pairs before each: what is between the same two competes.
    certain = _before(open_target)
    before_target = np.where(certain >= 0, partner[certain], -1)
    before_time = _before(open_time)
    at = np.concatenate((target[open_target], times[open_time]))
    behind = np.concatenate((before_target, before_time))
    is_target = np.arange(at.size) < open_target.size
    order = np.lexsort((at, behind))
    at, behind, is_target = at[order], behind[order], is_target[order]
    # A held-up stamp reaches over `after_ns` from where it should be, and over `before_ns` the other way.
    begins = np.maximum.accumulate(at + np.where(is_target, reach.after_ns, reach.before_ns))
    fresh = np.ones(at.size, np.bool_)
    fresh[1:] = (behind[1:] != behind[:-1]) | (at[1:] > begins[:-1])
    number = np.cumsum(fresh) - 1
    count = int(number[-1]) + 1 if number.size else 0
    target_count = np.bincount(number[is_target], minlength=count)
    time_count = np.bincount(number[~is_target], minlength=count)
    in_order = np.concatenate((open_target, open_time))[order]
    target_start, time_start = (np.cumsum(n) - n for n in (target_count, time_count))
    return _Stretches(
        in_order[is_target], in_order[~is_target], target_start, target_count, time_start, time_count, behind[fresh]
    )


def _settle_stretches(
    target: Int64s, times: Int64s, partner: Int64s, sigma: float, mean_ns: float, reach: Reach
) -> tuple[Bools, Int64s]:
    """Match what is left, into `partner`; which targets stay open, and the times they compete for."""
    ambiguous = np.zeros(target.size, np.bool_)
    parts = _left_over(target, times, partner, reach)
    n, m = parts.target_count, parts.time_count
    likelihoods = _shares(parts, target.size, mean_ns, reach)
    both = (n > 0) & (m > 0)
    uncertain: list[Int64s] = [np.empty(0, np.int64)]
    height, width = (1 << np.ceil(np.log2(np.maximum(c, 1))).astype(np.int64) for c in (n, m))
    for rows, columns in np.unique(np.column_stack((height, width))[both], axis=0).tolist():
        alike = np.flatnonzero(both & (height == rows) & (width == columns))
        if rows > LARGEST or columns > LARGEST:
            for one in alike.tolist():
                ambiguous[_members(parts.targets, parts.target_start[one], n[one])] = True
                uncertain.append(_members(parts.times, parts.time_start[one], m[one]))
            continue
        step = max(1, CELLS_AT_ONCE // (rows * columns))
        for first in range(0, alike.size, step):
            some = alike[first : first + step]
            i = parts.targets[np.minimum(parts.target_start[some, None] + np.arange(rows), parts.targets.size - 1)]
            j = parts.times[np.minimum(parts.time_start[some, None] + np.arange(columns), parts.times.size - 1)]
            left = (times[j][:, None, :] - target[i][:, :, None]).astype(np.float64)
            pairs = pair_likelihood(left, sigma, likelihoods, reach)
            miss = np.full((some.size, rows), np.log(likelihoods.lost))
            closed = np.zeros(some.size, np.bool_)
            settled = settle(
                (pairs, pairs), miss, float(np.log(likelihoods.added / mean_ns)), (n[some], m[some]),
                (closed, closed), DOUBT,
            )  # fmt: skip
            real = np.arange(rows) < n[some, None]
            owner, row = np.nonzero(real & (settled.partner >= 0))
            partner[i[owner, row]] = j[owner, settled.partner[owner, row]]
            ambiguous[i[real & (settled.partner == UNCERTAIN_INDEX)]] = True
            matched = np.zeros((some.size, columns), np.bool_)
            matched[owner, settled.partner[owner, row]] = True
            real = np.arange(columns) < m[some, None]
            uncertain.append(j[real & ~settled.spurious & ~matched])
    return ambiguous, np.concatenate(uncertain)


def _members(indices: Int64s, start: int, count: int) -> Int64s:
    return indices[start : start + count]


@dataclass(frozen=True, slots=True)
class Shares:
    """How often stamps are held up, lost and added, a target."""

    held_up: float
    lost: float
    added: float


def _shares(parts: _Stretches, size: int, mean_ns: float, reach: Reach) -> Shares:
    targets, times = parts.target_count, parts.time_count
    # What lies between the same two certain pairs counts once, however much is lacking: an end that was cut off says
    # nothing about single losses.
    lost, added = (np.unique(parts.after[which]).size / size for which in (targets > times, times > targets))
    even = float(targets[targets == times].sum()) / size
    by_chance = lost * added * min(1.0, (reach.before_ns + reach.after_ns) / mean_ns)
    least = max(LEAST_RATE, 0.5 / (size + 1))
    return Shares(max(even - by_chance, least), max(lost, least), max(added, least))


def pair_likelihood(left: Floats, sigma: float, shares: Shares, reach: Reach) -> Floats:
    """Log density, a nanosecond, of a stamp that is off by `left`, any shape."""
    scale = max(sigma / 1.5, 1.0)
    distance = np.abs(left)
    ordinary = np.exp(-np.minimum(distance / scale, 700)) / (2 * scale)
    span = np.where(left < 0, reach.before_ns, reach.after_ns)
    over = 2 * np.log1p(max(reach.before_ns, reach.after_ns) / scale)
    held = np.where(distance <= span, 1 / ((distance + scale) * over), 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log((1 - shares.held_up - shares.lost) * ordinary + shares.held_up * held), np.float64)
