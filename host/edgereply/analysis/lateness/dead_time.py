"""How close two edges may be: the share of pairs answered in full by their gap, and from which gap on that is sure.

A pair is two stimuli a gap apart, long after the pair before. Its fate is that of both: two answers, or not. It is not
asked which of the two was lost, since a kernel that merges two edges keeps the stamp of either.

**The dead time** is the shortest gap from which on at least `SHARE` of all pairs are answered, with `CONFIDENCE`. The
gaps are looked at from the longest down, in blocks of neighbouring steps with at least `pairs_needed` pairs each, and a
block passes when the exact one-sided limit on its share (Clopper and Pearson 1934) is not below `SHARE`. The walk ends
at the first block that does not pass. Hypotheses tested in an order that was fixed beforehand, up to the first that is
not rejected, need no correction for their number: a wrong claim is made with a probability of at most 1 − `CONFIDENCE`
however many blocks there are (fixed-sequence testing: Maurer, Hothorn and Lehmacher 1995; from memory). So the blocks
may depend on how many pairs each step has, and never on what became of them. What is claimed is the *longest* gap of
the last block that passed: within a block the shorter gaps may be worse than the whole, the longest is not, where
longer gaps are no worse than shorter ones. With one step a block nothing needs to be assumed.

A pair whose fate is not known counts as not answered. Where losses come in bursts the exact limit is too narrow, which
drawing the gaps in random order softens, as no gap is measured in one burst.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s, Uint8s
from edgereply.analysis.statistics.intervals import (
    ProbabilityInterval,
    clopper_pearson,
    probability_upper_bound,
)

SHARE = 0.999
CONFIDENCE = 0.95
# Between the two of a pair lies half a period at most, before a pair a whole one at least.
APART = 0.75


class Fate(IntEnum):
    """What became of a pair."""

    ANSWERED = 0
    LATE = 1
    COALESCED = 2
    MISSED = 3
    UNKNOWN = 4


@dataclass(frozen=True, slots=True)
class GapStep:
    """The pairs of one step of the ladder.

    Attributes:
        step_ns: of the plan.
        low_ns, high_ns: the shortest and the longest gap there really was.
        pairs: how many.
        answered, late, coalesced, missed, unknown: what became of them.
    """

    step_ns: int
    low_ns: int
    high_ns: int
    pairs: int
    answered: int
    late: int
    coalesced: int
    missed: int
    unknown: int

    @property
    def interval(self) -> ProbabilityInterval:
        """Exact two-sided 95 % interval of the share answered; the pairs that are not known count as either."""
        return ProbabilityInterval(
            low=clopper_pearson(self.answered, self.pairs).low,
            high=clopper_pearson(self.answered + self.unknown, self.pairs).high,
        )

    @property
    def lost(self) -> int:
        """Pairs that were not answered in full and in time, or of which that is not known."""
        return self.pairs - self.answered


@dataclass(frozen=True, slots=True)
class DeadTime:
    """What the walk from the longest gap down came to.

    Attributes:
        gap_ns: from here on at least `SHARE` are answered, with `CONFIDENCE`; None where no gap can be claimed.
        failed_ns: the gaps of the block that did not pass, shortest and longest; None where none failed.
        pairs: in the blocks that passed.
        untested_ns: the longest gap below the last block: too few pairs there to pass; None where all was tested.
        needed: pairs that a block needs.
    """

    gap_ns: int | None
    failed_ns: tuple[int, int] | None
    pairs: int
    untested_ns: int | None
    needed: int


def pairs_needed(share: float = SHARE, confidence: float = CONFIDENCE) -> int:
    """Pairs all of which must be answered to claim a share: the smallest n with share^n ≤ 1 − confidence."""
    return math.ceil(math.log(1 - confidence) / math.log(share))


def find_pairs(stimulus_ns: Int64s, period_ns: int) -> Int64s:
    """The first stimulus of each pair.

    Args:
        stimulus_ns: int64[n], sorted: the stimuli of a plan of pairs.
        period_ns: its mean interval.

    Returns:
        int64[m], indices; the second stimulus of each is the next one. They go by turns where every second interval is
        a rest, however late a source that is slow sent the second one. Where records are missing, two stimuli nearer
        than a rest are a pair, if there is no third.
    """
    rests = np.diff(stimulus_ns)[1::2]
    if np.all(rests >= APART * period_ns):
        return np.arange(0, len(stimulus_ns) - 1, 2, dtype=np.int64)
    near = np.diff(stimulus_ns) < APART * period_ns
    alone_before = np.concatenate(([True], ~near[:-1])) if near.size else near
    alone_after = np.concatenate((~near[1:], [True])) if near.size else near
    return np.flatnonzero(near & alone_before & alone_after)


def gap_steps(gap_ns: Int64s, fate: Uint8s, ladder_ns: Int64s) -> list[GapStep]:
    """Count what became of the pairs, by the step of the ladder that their gap is nearest to.

    Args:
        gap_ns: int64[m], as they really were.
        fate: uint8[m], `Fate`.
        ladder_ns: int64[k], rising: the steps of the plan.

    Returns:
        The steps that have pairs, rising.
    """
    middles = np.sqrt(ladder_ns[:-1].astype(np.float64) * ladder_ns[1:])
    place = np.searchsorted(middles, gap_ns)
    found: list[GapStep] = []
    for step in np.unique(place):
        here = place == step
        counts = np.bincount(fate[here], minlength=len(Fate)).tolist()
        found.append(
            GapStep(
                step_ns=int(ladder_ns[step]),
                low_ns=int(gap_ns[here].min()),
                high_ns=int(gap_ns[here].max()),
                pairs=int(here.sum()),
                answered=counts[Fate.ANSWERED],
                late=counts[Fate.LATE],
                coalesced=counts[Fate.COALESCED],
                missed=counts[Fate.MISSED],
                unknown=counts[Fate.UNKNOWN],
            )
        )
    return found


def pooled_steps(runs: Sequence[Sequence[GapStep]]) -> list[GapStep]:
    """The pairs of several runs of one plan together, by step."""
    found: dict[int, GapStep] = {}
    for step in (step for steps in runs for step in steps):
        had = found.get(step.step_ns)
        found[step.step_ns] = step if had is None else _added(had, step)
    return [found[step_ns] for step_ns in sorted(found)]


def _added(one: GapStep, other: GapStep) -> GapStep:
    counted = ("pairs", "answered", "late", "coalesced", "missed", "unknown")
    sums = {name: getattr(one, name) + getattr(other, name) for name in counted}
    return replace(one, low_ns=min(one.low_ns, other.low_ns), high_ns=max(one.high_ns, other.high_ns), **sums)


def dead_time(steps: list[GapStep], share: float = SHARE, confidence: float = CONFIDENCE) -> DeadTime:
    """The shortest gap from which on a share of the pairs is answered; see the head of this module.

    Args:
        steps: of `gap_steps`.
        share: to be answered.
        confidence: of the claim.
    """
    needed = pairs_needed(share, confidence)
    gap_ns: int | None = None
    failed: tuple[int, int] | None = None
    passed = 0
    block: list[GapStep] = []
    for step in reversed(steps):
        block.append(step)
        pairs = sum(item.pairs for item in block)
        if pairs < needed:
            continue
        if lower_limit(sum(item.answered for item in block), pairs, confidence) < share:
            failed = (block[-1].low_ns, block[0].high_ns)
            block = []
            break
        gap_ns, passed, block = block[0].high_ns, passed + pairs, []
    return DeadTime(gap_ns, failed, passed, block[0].high_ns if block else None, needed)


def lower_limit(events: int, trials: int, confidence: float) -> float:
    """The exact one-sided lower limit on a probability, by the upper limit on that of the opposite."""
    return 1.0 - probability_upper_bound(trials - events, trials, confidence)
