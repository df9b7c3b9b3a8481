"""Which stamps of two trains belong together, once it is known where each of one should be in the other.

Nearly all stand alone where they should: whole-array steps match those that are each other's nearest, close enough,
with no second candidate about as near. What is left, where stamps crowd, were held back or are missing, falls into
short stretches between certain pairs. In a stretch the assignment problem (H. W. Kuhn 1955, J. Munkres 1957) has an
order, since neither train overtakes itself: dynamic programming sums over every assignment that keeps the order, and
so gives the probability of each pair (`posterior`). So a burst of stamps that were all late goes by order, and what two
readings explain about as well is left open. The densities of a pair, a loss and an addition: `residual_likelihood`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Floats, Int64s, Places
from edgereply.analysis.arrays.chunks import chunkwise
from edgereply.analysis.pairing.clock import FAR, nearest
from edgereply.analysis.pairing.posterior import UNCERTAIN_INDEX, Settled, settle
from edgereply.analysis.pairing.residual_likelihood import LEAST_RATE, Likelihood, Ordinary, Reach, Shares, ordinary

CHUNK = 1 << 15
# Beyond this many standard deviations a stamp is no ordinary one.
ORDINARY = 8.0
# Nor is one out of place that is off by less than this share of the mean interval, however quiet the rest: a lost stamp
# and an added one would have to meet there by chance.
NEAR = 1e-3
# Beyond so many standard deviations a pair is looked at again when it is known how often stamps are lost and added.
SUSPECT = 2.0
# So many residuals tell their spread well enough.
SAMPLE = 1 << 18
# One reading in a thousand may be wrong where two compete; nearly all pairs have no second reading at all.
DOUBT = 1e-3
MOSTLY = 0.5
# A stretch in which more compete than this is left open.
LARGEST = 256
CELLS_AT_ONCE = 1 << 18


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
    limit_ns = max(ORDINARY * sigma_ns, NEAR * mean_ns, 2.0)
    # What is near enough to be settled at once is within reach of the closer look as well.
    reach = Reach(max(reach.before_ns, round(limit_ns)), max(reach.after_ns, round(limit_ns)))
    usual, suspects = _match_clear(target, times, partner, sigma_ns, limit_ns)
    taken = np.zeros(times.size, np.bool_)
    taken[partner if np.all(partner >= 0) else partner[partner >= 0]] = True
    model = Likelihood(usual, _shares(target, times, partner, taken, usual, reach), mean_ns, reach)
    # Off by more than this, a lost stamp and an added one are as good a reading.
    low, high = model.limits(limit_ns, DOUBT)
    off = times[partner[suspects]] - target[suspects]
    doubtful = suspects[(off < low) | (off > high)]
    taken[partner[doubtful]] = False
    partner[doubtful] = -1
    ambiguous = _settle_stretches(target, times, partner, taken, model)
    return Match(partner, ambiguous, np.flatnonzero(~taken), usual.sigma_ns)


def _match_clear(
    target: Int64s, times: Int64s, partner: Int64s, sigma_ns: float, limit_ns: float
) -> tuple[Ordinary, Int64s]:
    """Match those that are each other's nearest, close, and without a rival, into `partner`.

    Returns:
        How ordinary residuals lie; the stimuli whose residual is far out.
    """
    margin, suspect = 4 * sigma_ns, SUSPECT * sigma_ns
    residuals: list[Floats] = [np.empty(0)]
    suspects: list[Int64s] = [np.empty(0, np.int64)]

    def decide(part: slice) -> None:
        found = _in_step(target, part, times)
        if found is not None:
            index, residual, second, rival = found
            distance = np.abs(residual)
            clear = distance <= limit_ns
        else:
            index, residual, second = nearest(target[part], times)
            owner, _, rival = nearest(times[index], target)
            distance = np.abs(residual)
            clear = (owner == np.arange(part.start, part.stop)) & (distance <= limit_ns)
        clear &= (second > limit_ns) | (second - distance >= margin)
        clear &= (rival > limit_ns) | (rival - distance >= margin)
        partner[part] = np.where(clear, index, -1)
        residuals.append(residual[clear][:: -(-target.size // SAMPLE)].astype(np.float64))
        suspects.append(part.start + np.flatnonzero(clear & (distance > suspect)))

    chunkwise(decide, target.size, CHUNK)
    return ordinary(np.concatenate(residuals)), np.concatenate(suspects)


def _in_step(target: Int64s, part: slice, times: Int64s) -> tuple[Int64s, Int64s, Int64s, Int64s] | None:
    """What `nearest` says of both trains where they run in step for a stretch: nothing is searched.

    Most stretches of a long run are such: no stamp is lost, none added.

    Returns:
        Index of the nearest time, it less the target, how far the second nearest time is from the target, and how far
        the second nearest target is from the time; None where two of a stretch are not each other's nearest, and at
        both ends of a train.
    """
    start, stop = part.start, part.stop
    here = target[part]
    first = int(np.searchsorted(times, here[0]))
    if 0 < first < times.size and here[0] - times[first - 1] <= times[first] - here[0]:
        first -= 1
    last = first + stop - start
    if start < 1 or stop >= target.size or first < 1 or last >= times.size:
        return None
    theirs = times[first:last]
    residual = theirs - here
    second = np.minimum(here - times[first - 1 : last - 1], times[first + 1 : last + 1] - here)
    rival = np.minimum(theirs - target[start - 1 : stop - 1], target[start + 1 : stop + 1] - theirs)
    if (np.abs(residual) >= np.minimum(second, rival)).any():
        return None
    return np.arange(first, last), residual, second, rival


def _before(places: Places) -> Places:
    """The last place before each of the given ones, rising, that is not one of them; -1 where there is none."""
    first = np.diff(places, prepend=-2) != 1
    return np.asarray(np.maximum.accumulate(np.where(first, places - 1, -1)))


def _behind(partner: Int64s, taken: Bools) -> tuple[Places, Places, Int64s]:
    """Targets and times that are not matched, and for both, one after another, the time of the certain pair before."""
    open_target, open_time = np.flatnonzero(partner < 0), np.flatnonzero(~taken)
    certain = _before(open_target)
    before_target = np.where(certain >= 0, partner[certain], -1)
    return open_target, open_time, np.concatenate((before_target, _before(open_time)))


def _shares(target: Int64s, times: Int64s, partner: Int64s, taken: Bools, usual: Ordinary, reach: Reach) -> Shares:
    """How often stamps are held up, lost, added and doubled, counted between pairs that are certain."""
    open_target, open_time, behind = _behind(partner, taken)
    places, number = np.unique(behind, return_inverse=True)
    # Not at the ends: a board that came late or was gone early says nothing about single losses.
    inner = (places >= 0) & (places < (np.flatnonzero(taken)[-1] if np.any(taken) else 0))
    expected, there = number[: open_target.size], number[open_target.size :]
    counted = []
    for which, train, left in ((expected, target, open_target), (there, times, open_time)):
        twice = which[usual.echoes(train, left)]
        counted += [np.bincount(some, minlength=places.size)[inner] for some in (which, twice)]
    lacking = counted[0] - counted[2]
    size = target.size
    fewer, more = lacking > 0, lacking < 0
    lost = np.count_nonzero(fewer & (counted[1] < lacking)) / size
    added = np.count_nonzero(more & (counted[3] < -lacking)) / size
    even = float(counted[0][lacking == 0].sum()) / size
    rate = size / max(1, int(target[-1]) - int(target[0]))
    half = 0.5 / (size + 1)
    # Of a kind of which the run shows none it most likely has none.
    least_lost, least_added = (max(LEAST_RATE, half if seen else half / (size + 1) ** 0.5) for seen in (lost, added))
    lone, surplus = np.count_nonzero(fewer) - lost * size, np.count_nonzero(more) - added * size
    # An added stamp may be close to another by chance, and stamps that were held up come together: only where most of
    # those that come together lack a partner are they doubled.
    by_chance = 2 * usual.instant_ns * rate * added * size
    beyond = max(0.0, surplus - by_chance - 3 * float(np.sqrt(by_chance)))
    again = lone / max(1, _crowded(target, usual.instant_ns)) if lone else 0.0
    mostly = beyond > 0 and surplus >= MOSTLY * _crowded(times, usual.instant_ns)
    return Shares(
        max(even - lost * added * min(1.0, (reach.before_ns + reach.after_ns) * rate), half),
        max(lost, least_lost),
        max(added, least_added),
        min(1.0, again) if again >= MOSTLY else 0.0,
        beyond / size if mostly else 0.0,
        whole=not (lost or added),
    )


def _crowded(train: Int64s, instant_ns: float) -> int:
    """How many stamps come within an instant after another."""
    counts = chunkwise(
        lambda part: int(np.count_nonzero(np.diff(train[part.start : part.stop + 1]) <= instant_ns)), train.size
    )
    return sum(counts)


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Left-over targets and times that could belong together: indices in order, and where each stretch has its own."""

    targets: Int64s
    times: Int64s
    target_start: Int64s
    target_count: Int64s
    time_start: Int64s
    time_count: Int64s


def _left_over(target: Int64s, times: Int64s, partner: Int64s, taken: Bools, reach: Reach) -> _Stretches:
    """Cut what is not matched at the certain pairs, and where nothing is within reach."""
    open_target, open_time, behind = _behind(partner, taken)
    # Targets that no left-over stamp could belong to are missed, however many there are in a row.
    first = np.searchsorted(times[open_time], target[open_target] - reach.before_ns, side="left")
    last = np.searchsorted(times[open_time], target[open_target] + reach.after_ns, side="right")
    hopeful = last > first
    behind = np.concatenate((behind[: hopeful.size][hopeful], behind[hopeful.size :]))
    open_target = open_target[hopeful]
    at = np.concatenate((target[open_target], times[open_time]))
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
    return _Stretches(in_order[is_target], in_order[~is_target], target_start, target_count, time_start, time_count)


def _settle_stretches(target: Int64s, times: Int64s, partner: Int64s, taken: Bools, model: Likelihood) -> Bools:
    """Match what is left, into `partner`, and mark the times that are matched or competed for; the open targets."""
    ambiguous = np.zeros(target.size, np.bool_)
    parts = _left_over(target, times, partner, taken, model.reach)
    n, m = parts.target_count, parts.time_count
    both = (n > 0) & (m > 0)
    height, width = (1 << np.ceil(np.log2(np.maximum(c, 1))).astype(np.int64) for c in (n, m))
    for rows, columns in np.unique(np.column_stack((height, width))[both], axis=0).tolist():
        alike = np.flatnonzero(both & (height == rows) & (width == columns))
        step = max(1, CELLS_AT_ONCE // (rows * columns))
        for first in range(0, alike.size, step):
            some = alike[first : first + step]
            i = parts.targets[np.minimum(parts.target_start[some, None] + np.arange(rows), parts.targets.size - 1)]
            j = parts.times[np.minimum(parts.time_start[some, None] + np.arange(columns), parts.times.size - 1)]
            inside = np.arange(rows) < n[some, None], np.arange(columns) < m[some, None]
            if rows > LARGEST or columns > LARGEST:
                ambiguous[i[inside[0]]] = True
                taken[j[inside[1]]] = True
                continue
            settled = _weighed(target, times, (i, j), (n[some], m[some]), model)
            owner, row = np.nonzero(inside[0] & (settled.partner >= 0))
            partner[i[owner, row]] = j[owner, settled.partner[owner, row]]
            ambiguous[i[inside[0] & (settled.partner == UNCERTAIN_INDEX)]] = True
            taken[j[inside[1] & ~settled.spurious]] = True
            taken[partner[i[owner, row]]] = True
    return ambiguous


def _weighed(
    target: Int64s, times: Int64s, at: tuple[Int64s, Int64s], sizes: tuple[Int64s, Int64s], model: Likelihood
) -> Settled:
    """Settle stretches of like size; `at` has the indices of their targets and times, a row a stretch."""
    i, j = at
    off = (times[j][:, None, :] - target[i][:, :, None]).astype(np.float64)
    if model.shares.whole:
        off -= _common(off, sizes, ORDINARY * model.ordinary.sigma_ns)[:, None, None]
    gap_there, gap_expected = (_gaps(train, where) for train, where in ((times, j), (target, i)))
    closed = np.zeros(i.shape[0], np.bool_)
    pairs = (model.queued(off, gap_there[:, None, :]), model.pair(off))
    miss, echo = model.missed(gap_expected), model.doubled(gap_there)
    return settle(pairs, miss, model.stray, sizes, (closed, closed), DOUBT, echo)


def _common(off: Floats, sizes: tuple[Int64s, Int64s], most_ns: float) -> Floats:
    """By how much all stamps of a stretch are off, if they are each its target's; 0 where not all could be.

    What hurries after a stall is not off as usual, all of it by about the same. Each taken by itself, stamps that
    follow at once then look like the next ones' as much as like their own. Where a run shows no loss and no addition,
    it takes one of each to mistake them: so the reading without is held against the others with the offset it says.
    """
    ordered = np.diagonal(off, axis1=1, axis2=2).copy()
    ordered[np.arange(ordered.shape[1]) >= sizes[0][:, None]] = np.nan
    level = np.nanmedian(ordered, axis=1)
    return np.where((sizes[0] == sizes[1]) & (np.abs(level) <= most_ns), level, 0.0)


def _gaps(train: Int64s, places: Int64s) -> Floats:
    """Time since the stamp before."""
    return np.asarray(np.where(places > 0, train[places] - train[np.maximum(places - 1, 0)], FAR), np.float64)
