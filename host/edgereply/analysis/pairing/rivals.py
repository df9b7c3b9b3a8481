"""An alignment held against its rivals: what else would explain the stamps about as well?

A train that looks like itself when it is shifted, by one pulse or by as much as a pattern takes to come again, has more
than one alignment. Each such shift of the best one is a rival. They are compared on the most telling parts of the run,
where random trains differ most from themselves, by their evidence (`likelihood`); of stimuli beyond the ends of the
edges neither says anything. One that comes within `MARGIN` nats is as good, and the stamps do not decide; one that is
ahead by as much takes the place of the first.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.pairing.clock import Clock, Grown, grow, spread
from edgereply.analysis.pairing.hypotheses import PATTERN, Pairs, occurrences, telling_patterns
from edgereply.analysis.pairing.likelihood import Residuals, evidence, residuals

MARGIN = 14.0
# Less of the pulses than this is no alignment: on a coarse grid of arrivals a third fit by chance.
LEAST_SHARE, LEAST_PULSES = 0.4, 4.5
# A rival with less than half as many stimuli within so many times the winner's jitter is far behind.
WITHIN, MANY = 40.0, 40
# Stretches of so many pulses, about telling patterns, on which rivals are compared; a run up to as long goes in whole.
WIDE = 256
STRETCHES = 24
# A rival that overlaps less of the winner than this says nothing about a repeating train.
OVERLAP = 0.25
SHIFTS = 16
FAR_PULSES = 1 << 19  # within so many a pattern is looked for again
PIECE = 64  # pulses over which a rival's clock may bend
# Intervals that vary by less than this about their mean are one even pace.
EVEN = 0.01
# Tolerances tried for lines and patterns, as fractions of the usual interval.
SHARPNESS = (2048, 256, 24, 4)


class Refusal(StrEnum):
    """Why two trains were not aligned."""

    TOO_FEW = "too few"
    EVEN = "even pace"
    REPEATING = "repeating"
    NO_FIT = "no fit"


@dataclass(slots=True)
class Search:
    """What was tried, for the reason of a refusal."""

    stimulus: Int64s
    edge: Int64s
    drift: float
    best: float = 0.0
    pairs: int = 0
    tried: list[str] = field(default_factory=list)
    usual_ns: float = 0.0

    def __post_init__(self) -> None:
        step = max(1, self.stimulus.size >> 16)
        self.usual_ns = max(1.0, float(np.median(self.stimulus[1::step] - self.stimulus[:-1:step])))


@dataclass(frozen=True, slots=True)
class Trial:
    """A clock that was held against its rivals.

    Attributes:
        nats: its evidence.
        share: of the stimuli between the first and last edge, how many have their own.
        scale_ns: mean distance of those.
        margin: nats ahead of the nearest rival; None where a rival comes near, and `refusal` says which.
        better: that rival, where it is the better one.
    """

    clock: Clock
    nats: float
    share: float
    scale_ns: float
    margin: float | None = None
    refusal: Refusal | None = None
    reason: str = ""
    better: Grown | None = None


def against_rivals(search: Search, clock: Clock) -> Trial | None:
    """Hold an alignment against its rivals.

    Returns:
        The trial; None where the alignment does not fit at all.
    """
    stretches = _stretches(search)
    foretold = [clock.to_board(search.stimulus[part]) for part in stretches]
    theirs = _chosen([residuals(target, search.edge) for target in foretold])
    told = evidence(theirs)
    if told.nats < MARGIN + 2 * np.log(search.stimulus.size) or not told.share:
        return None
    inside = int(np.count_nonzero(np.isfinite(theirs.gap_ns)))
    share = told.share * theirs.gap_ns.size / max(1, inside)
    # A line is fitted to them: three that lie on one say nothing.
    if share < LEAST_SHARE or share * inside < LEAST_PULSES:
        return None
    trial = Trial(clock, told.nats, share, told.scale_ns, told.nats)
    # Both are held against the same edges: of a train that repeats, each edge is then as far off by either.
    edges = _edges(search, foretold)
    at = [clock.to_source(search.edge[part]) for part in edges]
    own = [residuals(places, search.stimulus) for places in at]
    inside = sum(int(np.count_nonzero(np.isfinite(left.gap_ns))) for left in own)
    for shift, pulses in _rivals(search, stretches, told.scale_ns):
        put = [_moved(search, places, shift, told.scale_ns) for places in at]
        moved = [residuals(places, search.stimulus) for places in put]
        # Where both have stimuli on either side: what lies beyond the ends speaks for neither.
        there = [np.isfinite(one.gap_ns) & np.isfinite(other.gap_ns) for one, other in zip(own, moved, strict=True)]
        if sum(int(np.count_nonzero(both)) for both in there) < max(3, OVERLAP * inside):
            continue
        mine, rival = (_chosen(parts, there) for parts in (own, moved))
        close = [np.count_nonzero(np.abs(left.off_ns) <= WITHIN * told.scale_ns) for left in (mine, rival)]
        if close[0] >= MANY and close[1] < close[0] / 2:
            continue
        # The clock was followed for the one, and bends with its jitter; the other may bend as much.
        reach = min(8 * told.scale_ns, abs(shift) / 4)
        level = [[_levelled(search, places, reach) for places in parts] for parts in (at, put)]
        mine, rival = (_chosen(parts, there) for parts in level)
        ahead = evidence(mine).nats - evidence(rival).nats
        if ahead < MARGIN:
            refusal, reason = _undecided(search, pulses)
            better = _instead(search, edges, at, moved, shift) if ahead < -MARGIN else None
            return replace(trial, margin=None, refusal=refusal, reason=reason, better=better)
        trial = replace(trial, margin=min(ahead, trial.margin or ahead))
    return trial


def _chosen(parts: list[Residuals], which: list[Bools] | None = None) -> Residuals:
    """The residuals of several stretches, or some of them."""
    some = which or [np.ones(left.off_ns.size, np.bool_) for left in parts]
    return Residuals(
        np.concatenate([left.off_ns[chosen] for left, chosen in zip(parts, some, strict=True)]),
        np.concatenate([left.gap_ns[chosen] for left, chosen in zip(parts, some, strict=True)]),
    )


def _instead(search: Search, edges: list[slice], at: list[Int64s], moved: list[Residuals], shift: float) -> Grown:
    """The better rival, grown from one of its closest pairs."""
    numbers = np.concatenate([np.arange(part.start, part.stop) for part in edges])
    close = int(np.argsort(np.abs(_chosen(moved).off_ns), kind="stable")[numbers.size // 8])
    wanted = int(np.concatenate(at)[close]) + round(shift)
    index = int(np.searchsorted(search.stimulus, wanted))
    around = range(max(0, index - 1), min(search.stimulus.size, index + 1))
    stimulus = min(around, key=lambda i: abs(int(search.stimulus[i]) - wanted))
    pair = (stimulus, int(numbers[close]))
    return grow(search.stimulus, search.edge, pair, search.usual_ns / SHARPNESS[1], search.drift)


def _undecided(search: Search, pulses: int) -> tuple[Refusal, str]:
    interval = np.diff(search.stimulus[: 1 << 16])
    even = spread(interval.astype(np.float64)) < EVEN * search.usual_ns
    by = f"shifted by {pulses} pulse{'s' if pulses != 1 else ''} the edges fit as well"
    if even:
        return Refusal.EVEN, f"the stimuli come at one even pace: {by}; use random (exponential) arrivals"
    return Refusal.REPEATING, f"the same intervals come again: {by}; a longer run, or arrivals that differ more, decide"


def _stretches(search: Search) -> list[slice]:
    """Parts of the run about its most telling patterns; the whole of a short one."""
    size = search.stimulus.size
    if size <= WIDE * STRETCHES // 2:
        return [slice(0, size)]
    starts = telling_patterns(search.stimulus, search.usual_ns / SHARPNESS[1], PATTERN)
    middles = sorted(start + PATTERN // 2 for start in starts[:STRETCHES])
    parts, last = [], 0
    for middle in middles:
        first = max(last, middle - WIDE // 2)
        last = min(size, middle + WIDE // 2)
        if last > first:
            parts.append(slice(first, last))
    return parts


def _edges(search: Search, foretold: list[Int64s]) -> list[slice]:
    """The edges that lie where stretches of stimuli should."""
    ends = [np.searchsorted(search.edge, (target[0], target[-1]), side="left") for target in foretold]
    return [slice(int(first), int(last) + 1) for first, last in ends if first < search.edge.size]


def _moved(search: Search, at: Int64s, shift: float, scale: float) -> Int64s:
    """Edges, by their times on the source's clock, shifted and moved to where they fit best."""
    target = at + round(shift)
    off = residuals(target, search.stimulus).off_ns
    # Not as far as back to where they are not shifted.
    free = min(max(20 * scale, search.usual_ns / 64), abs(shift) / 4)
    close = np.sort(off[np.abs(off) <= free])
    if close.size < 2:
        return target
    held = np.searchsorted(close, close + 4 * scale, side="right") - np.arange(close.size)
    best = int(held.argmax())
    return np.asarray(target + round(float(np.median(close[best : best + int(held[best])]))))


def _levelled(search: Search, target: Int64s, reach_ns: float) -> Residuals:
    """Residuals of edges that are moved, piece by piece, by the mean of those within reach."""
    off = residuals(target, search.stimulus).off_ns
    cuts = np.linspace(0, off.size, max(1, off.size // PIECE) + 1).astype(np.int64)
    starts, owner = cuts[:-1], np.repeat(np.arange(cuts.size - 1), np.diff(cuts))
    level = np.zeros(starts.size)
    # Until it stands: where it began must not matter.
    for _ in range(4):
        close = np.abs(off - level[owner]) <= reach_ns
        held = np.maximum(np.add.reduceat(close, starts, dtype=np.int64), 1)
        level = np.add.reduceat(np.where(close, off, 0.0), starts) / held
    return residuals(np.sort(target + np.rint(level[owner]).astype(np.int64)), search.stimulus)


def _rivals(search: Search, stretches: list[slice], scale: float) -> list[tuple[float, int]]:
    """Shifts in ns, and in pulses, at which the train may look like itself."""
    found: list[tuple[float, int]] = []
    stimulus = search.stimulus
    for pulses in range(1, min(SHIFTS, stimulus.size - 1) + 1):
        apart = np.concatenate(
            [stimulus[p.start + pulses : p.stop] - stimulus[p.start : p.stop - pulses] for p in stretches]
        )
        if apart.size:
            shift = _commonest(apart, 4 * scale)
            found += [(shift, pulses), (-shift, pulses)]
    tolerance = max(4 * scale, 4.0)
    length = min(PATTERN, max(2, stimulus.size // 3))
    for start in telling_patterns(stimulus, tolerance, length)[:8]:
        first = max(0, start - FAR_PULSES)
        around = stimulus[first : start + FAR_PULSES]
        again: Pairs = occurrences(stimulus[start : start + length + 1], around, tolerance, 0.0)
        for place, middle in again:
            own = start - first + middle
            if abs(place - own) > SHIFTS:
                shift = float(around[place] - around[own])
                found += [(shift, abs(place - own)), (-shift, abs(place - own))]
    kept: list[tuple[float, int]] = []
    for shift, pulses in sorted(found, key=lambda item: item[1]):
        if all(abs(shift - other) > tolerance for other, _ in kept):
            kept.append((shift, pulses))
    return kept[: 8 * SHIFTS]


def _commonest(values: Int64s, width: float) -> float:
    """The middle of the window that holds most of the values."""
    ordered = np.sort(values)
    held = np.searchsorted(ordered, ordered + round(width), side="right") - np.arange(ordered.size)
    best = int(held.argmax())
    return float(np.median(ordered[best : best + int(held[best])]))
