"""How many late answers there can be, counted by the disturbances that made them.

Late answers come in groups: one disturbance (a page swapped in, a queue drained) holds up several in a row. Ten late
answers from one disturbance say as little about how often disturbances come as a single one would, and a run in which
none happened to come says nothing about their size. So a bound on the share of late answers has two inputs, one
measured and one named: how the late answers of the run are grouped, and how large a group is allowed for that the run
did not show.

The bound is the one that Fay and Feuer give for a sum of Poisson counts with unequal weights (here: disturbances,
weighted by the answers they hold up). It matches the sum and its variance by a gamma distribution and, for the upper
limit, adds one more event of the largest weight that is possible at all. With equal groups of k it is k times the
exact limit for the number of groups (Garwood 1936), with none seen k times the rule of three. Here the gamma is a beta
distribution, so that late answers that come alone get exactly Clopper and Pearson's limit.

What the largest possible weight is, nobody can measure. Where late answers came alone, it is 1: then the bound holds if
they do. Where they came in groups, it is twice the largest one seen, and five times with fewer than three groups: a few
do not show how large they get. With sizes from a geometric distribution a claim that allows for the largest one seen
errs in 6 to 14 % of runs, with these in at most 5 % (`tests/benchmarks/claims.py`).

Sources: Fay, M. P. and Feuer, E. J. (1997), Statistics in Medicine 16, 791-801; Garwood, F. (1936), Biometrika 28,
437-442; Clopper, C. J. and Pearson, E. S. (1934), Biometrika 26, 404-413.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from edgereply.analysis.arrays.aliases import Int64s
from edgereply.analysis.arrays.bits import Bits
from edgereply.analysis.arrays.distributions import beta_isf, beta_ppf
from edgereply.analysis.statistics.dependence import SCALES, long_visits, stretch_bounds
from edgereply.analysis.statistics.exceedances import Exceedances, share_dependence
from edgereply.analysis.statistics.intervals import ProbabilityInterval

# Late answers are put together across gaps of 1, 2, 4, ... stimuli. Up to gaps that join one independent late answer in
# twenty by chance, groups are taken as they are; beyond, only where they are larger than chance makes them by three
# standard errors; and not at all where chance joins seven in ten.
_BY_CHANCE, _MOSTLY_CHANCE, _ERRORS = 0.05, 0.7, 3.0
# So few groups, so much larger than chance has them, are not corrected for chance: what to take off cannot be told.
_FEW_GROUPS = 10
# Below this late answers count as independent of each other: a few are neighbours by chance, and of independent ones
# nine runs in ten stay below.
_CLEARLY = 1.25
# With more than this share late, groups across gaps are chance, and blocks show what there is to see.
_MANY = 0.25
# Allowed beyond the largest group seen; see above.
_UNSEEN, _UNSEEN_OF_FEW, _TOO_FEW = 2, 5, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Disturbances:
    """How the late answers of a run are grouped.

    Attributes:
        stimuli: judged.
        late: of these.
        largest: most late answers that came together; 1 where they come alone, and without any.
        inflation: variance of the number of late answers over what it were if they came alone, at least 1: with groups
            of equal size, that size.
        lasting: a state with more late answers lasts a good part of the run, so that there are few of it.
    """

    stimuli: int
    late: int
    largest: int
    inflation: float
    lasting: bool = False

    @property
    def groups(self) -> float:
        """Groups of equal size that say as much; 0 without late answers."""
        return self.late / self.inflation

    @property
    def clustered(self) -> bool:
        """Whether late answers come in groups."""
        return self.inflation > 1.0

    @property
    def allowed(self) -> int:
        """The largest group that a claim about this run allows for, where nobody names one."""
        if not self.clustered:
            return 1
        return self.largest * (_UNSEEN_OF_FEW if self.groups < _TOO_FEW else _UNSEEN)

    def at_most(self, confidence: float, together: int | None = None) -> float:
        """Upper bound on the share of late answers.

        Args:
            confidence: strictly within 0 to 1.
            together: largest group that one disturbance can make; `allowed`, when None, and never less than that seen.
        """
        if self.late == self.stimuli:
            return 1.0
        one_more = float(self.allowed if together is None else max(together, self.largest))
        scale = (self.late * self.inflation + one_more**2) / (self.late + one_more)
        return beta_isf(1.0 - confidence, (self.late + one_more) / scale, (self.stimuli - self.late) / scale)

    def at_least(self, confidence: float) -> float:
        """Lower bound on the share of late answers; it allows for no group larger than those seen."""
        if self.late == 0:
            return 0.0
        scale = self.inflation
        return beta_ppf(1.0 - confidence, self.late / scale, (self.stimuli - self.late) / scale + 1.0)

    def interval(self, confidence: float) -> ProbabilityInterval:
        """Both bounds, each failing half as often as the interval may."""
        one_sided = 1.0 - (1.0 - confidence) / 2.0
        return ProbabilityInterval(low=self.at_least(one_sided), high=self.at_most(one_sided))

    def largest_held(self, goal: float, confidence: float) -> int:
        """The largest group that still leaves the upper bound at the goal or below; 0 where none does."""
        low, high = 0, 1
        while high <= self.stimuli and self._holds(high, goal, confidence):
            low, high = high, 2 * high
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self._holds(middle, goal, confidence) else (low, middle)
        return low if low >= self.largest else 0

    def after(self, stimuli: int, late: int) -> Disturbances:
        """What a longer run would show, were its late answers grouped alike."""
        return replace(self, stimuli=stimuli, late=late)

    def grouped_as(self, inflation: float) -> Disturbances:
        """The same, grouped at least so much."""
        if inflation <= self.inflation:
            return self
        return replace(self, largest=max(self.largest, round(inflation)), inflation=inflation)

    def _holds(self, together: int, goal: float, confidence: float) -> bool:
        return self.at_most(confidence, together) <= goal


def find_disturbances(is_late: Bits, confidence: float = 0.95) -> Disturbances:
    """Group the late answers of a run.

    Args:
        is_late: one bit a stimulus, in order of time; at least one.
        confidence: for which the few blocks of a run are allowed for.

    Returns:
        See `Disturbances`. Groups are sought by gaps between late answers, by how much blocks of the run differ
        (`exceedances.share_dependence`), which sees long stretches with more of them, and by stretches in which that
        lasts (`dependence.long_visits`); the most telling counts. Where there are too few blocks to judge, all late
        answers count as one group.
    """
    return grouped(Exceedances(is_late, is_late), confidence)


def grouped(marks: Exceedances, confidence: float = 0.95) -> Disturbances:
    """The same from marks of which some are halves: answers at a threshold are late, but count half between blocks."""
    stimuli, late = marks.count, marks.reached.ones
    if late == 0:
        return Disturbances(stimuli=stimuli, late=0, largest=1, inflation=1.0)
    largest, inflation = _by_gaps(marks.reached.places(), stimuli) if late <= _MANY * stimuli else (1, 1.0)
    worth = share_dependence(marks, confidence).effective_count
    found = [stimuli / worth if worth else float(late)]
    bounds = stretch_bounds(stimuli, SCALES[0])
    visits = None if bounds is None else long_visits(marks.sums(bounds))
    if visits is not None:
        found.append(late / visits)
    for size in found:
        if size > inflation:
            largest, inflation = max(largest, round(size)), size
    if inflation < _CLEARLY:
        largest, inflation = 1, 1.0
    return Disturbances(
        stimuli=stimuli, late=late, largest=largest, inflation=inflation, lasting=visits is not None
    )  # fmt: skip


def _by_gaps(places: Int64s, stimuli: int) -> tuple[int, float]:
    """Largest group, and sum of squared sizes over sum, at the gap that shows most, less what chance does there.

    Were late answers independent with share q, groups across gaps of up to g would have geometric sizes with
    p = 1 - (1 - q)^g, for which that quotient is (1 + p) / (1 - p).
    """
    share, gaps = places.size / stimuli, np.diff(places)
    largest, most, gap = 1, 1.0, 1
    while True:
        sizes = np.diff(np.concatenate(([-1], np.flatnonzero(gaps > gap), [places.size - 1])))
        by_chance = -math.expm1(gap * math.log1p(-share)) if share < 1.0 else 1.0
        squares = float(np.dot(sizes, sizes)) / places.size
        found = squares * (1.0 - by_chance) / (1.0 + by_chance)
        clear = found > 1.0 + _ERRORS * math.sqrt(2.0 / sizes.size)
        if clear and sizes.size < _FEW_GROUPS:
            found = squares
        if by_chance <= _BY_CHANCE or clear:
            largest, most = max(largest, int(sizes.max())), max(most, found)
        gap *= 2
        if -math.expm1(gap * math.log1p(-min(share, 0.999))) > _MOSTLY_CHANCE or gap >= stimuli:
            return largest, most
