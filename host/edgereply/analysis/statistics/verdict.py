"""Does the board keep its deadline: pass, fail, or not enough data and how much more.

A missed stimulus counts as late: its answer came after any deadline.

A run cannot see what did not happen in it: three expected disturbances are all missed in one run of twenty, a single
one in every third. So a pass is said for late answers in groups of a stated size (`disturbances`): at least for groups
as large as the run itself leads one to allow for, and for as much larger ones as its length carries. Only where that
reaches groups of a hundred, and of ten times the largest one seen, is it said without that condition.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.bits import Bits, pack
from edgereply.analysis.statistics.disturbances import Disturbances, find_disturbances
from edgereply.analysis.statistics.intervals import ProbabilityInterval
from edgereply.analysis.statistics.tolerance import wilks_count

Outcome = Literal["pass", "fail", "not enough data"]

# Without a target no answer may be late, and a run must at least rule out one late answer in a hundred.
UNSTATED_TARGET = 0.01
# A pass that reaches groups of so many late answers, and so many times the largest group seen, needs no condition.
UNCONDITIONAL, TIMES_SEEN = 100, 10
_MOST_STIMULI = 10**12


@dataclass(frozen=True, slots=True, kw_only=True)
class RulesOut:
    """The share of late answers that a run does not rule out, by how many one disturbance makes."""

    alone: float
    tens: float
    hundreds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What a run says about a deadline.

    Attributes:
        outcome: pass, fail, or not enough data.
        deadline_ns: answers after this are late.
        target: share of late answers that is tolerated; None when none is.
        confidence: of each bound and of a pass or fail.
        stimuli: stimuli judged.
        late: of these, answered late or not at all.
        interval: two-sided interval for the probability of being late; Clopper and Pearson's where late answers come
            alone.
        upper_bound: one-sided, for groups of `together`; with no late answer the exact form of the rule of three.
        lower_bound: one-sided.
        effective_stimuli: independent stimuli the run is worth; fewer where late answers cluster.
        clustered: whether they do, so that all bounds use the effective number.
        largest_group: most late answers that came together in the run; 1 where they came alone or there were none.
        together: late answers that one disturbance may make, allowed for in all of the above.
        holds_together: of a pass, how large such a group may be without the pass becoming wrong; None else.
        upper_bound_held: of a pass, the upper bound for groups of that size; None else.
        rules_out: the upper bound for late answers that come alone, in tens, in hundreds; never for groups smaller than
            those allowed for.
        rarest_stimuli: a disturbance that comes less often than once in so many stimuli may have been missed by chance.
        more_stimuli: how many more would decide if late answers keep their share; None when decided, or
            when no number of stimuli would (the share is the target itself).
        would: the outcome those would then give.
        more_for_tens: of a pass that does not hold for groups of ten, how many more stimuli would rule them out too.
    """

    outcome: Outcome
    deadline_ns: int
    target: float | None
    confidence: float
    stimuli: int
    late: int
    interval: ProbabilityInterval
    upper_bound: float
    lower_bound: float
    effective_stimuli: float
    clustered: bool
    largest_group: int
    together: int
    holds_together: int | None
    upper_bound_held: float | None
    rules_out: RulesOut
    rarest_stimuli: int
    more_stimuli: int | None
    would: Outcome | None
    more_for_tens: int | None

    @property
    def conditional(self) -> bool:
        """Whether it is a pass that holds for groups of late answers up to a size only."""
        held = self.holds_together
        return held is not None and held < max(UNCONDITIONAL, TIMES_SEEN * self.largest_group)


def judge(
    reaction_ns: Int64s,
    answered: Bools,
    deadline_ns: int,
    confidence: float = 0.95,
    target: float | None = None,
    together: int | None = None,
) -> Verdict:
    """Judge one run against a deadline.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, one a stimulus in order of time; ignored where not
            answered.
        answered: shape (n,), bool.
        deadline_ns: an answer later than this is late.
        confidence: strictly within 0 to 1.
        target: tolerated share of late answers, strictly within 0 to 1; None tolerates none.
        together: late answers that one disturbance may make; as the run shows, when None.

    Returns:
        See `Verdict`.

    Raises:
        ValueError: unequal arrays, no stimulus, or a number out of range.
    """
    if reaction_ns.shape != answered.shape:
        raise ValueError(f"one mark a stimulus, got {answered.size} for {reaction_ns.size}")
    return judge_marks(pack(~answered | (reaction_ns > deadline_ns)), deadline_ns, confidence, target, together)


def judge_marks(
    is_late: Bits,
    deadline_ns: int,
    confidence: float = 0.95,
    target: float | None = None,
    together: int | None = None,
    more_on_time: int = 0,
) -> Verdict:
    """The same, from one bit a stimulus, in order of time: answered late or not at all.

    Args:
        is_late: the bits.
        deadline_ns: that was judged by.
        confidence: strictly within 0 to 1.
        target: tolerated share of late answers; None tolerates none.
        together: late answers that one disturbance may make; as the run shows, when None.
        more_on_time: stimuli that have no bit and are taken to have been answered in time.

    Raises:
        ValueError: no stimulus, or a number out of range.
    """
    if is_late.count == 0:
        raise ValueError("a verdict takes at least one stimulus")
    if target is not None and not 0.0 < target < 1.0:
        raise ValueError(f"a tolerated share lies strictly within 0 to 1, got {target!r}")
    if together is not None and together < 1:
        raise ValueError(f"one disturbance makes at least one late answer, got {together}")
    seen = find_disturbances(is_late, confidence)
    seen = seen.after(seen.stimuli + more_on_time, seen.late)
    allowed = seen.allowed if together is None else max(together, seen.largest)
    goal = UNSTATED_TARGET if target is None else target
    upper, lower = seen.at_most(confidence, allowed), seen.at_least(confidence)
    outcome = _outcome(seen.late if target is None else 0, lower, upper, goal)
    more, would, for_tens, held = None, None, None, None
    if outcome == "not enough data":
        more, would = _more(seen, allowed, goal, confidence)
    if outcome == "pass":
        held = seen.largest_held(goal, confidence)
        for_tens = _to_pass(seen, 10, goal, confidence) if held < 10 else None
    return Verdict(
        outcome=outcome,
        deadline_ns=deadline_ns,
        target=target,
        confidence=confidence,
        stimuli=seen.stimuli,
        late=seen.late,
        interval=seen.interval(confidence),
        upper_bound=upper,
        lower_bound=lower,
        effective_stimuli=seen.stimuli / seen.inflation,
        clustered=seen.clustered,
        largest_group=seen.largest,
        together=allowed,
        holds_together=held,
        upper_bound_held=None if held is None else seen.at_most(confidence, max(held, allowed)),
        rules_out=RulesOut(
            alone=seen.at_most(confidence, max(1, seen.allowed)),
            tens=seen.at_most(confidence, max(10, seen.allowed)),
            hundreds=seen.at_most(confidence, max(100, seen.allowed)),
        ),
        # None came in n stimuli: of those that come once in m, that has the chance exp(-n / m).
        rarest_stimuli=math.ceil(-seen.stimuli / math.log1p(-confidence)),
        more_stimuli=more,
        would=would,
        more_for_tens=for_tens,
    )


def stimuli_needed(target: float, confidence: float = 0.95, late: int = 0) -> int:
    """Stimuli a run needs to pass with that many late answers, each of them alone.

    Args:
        target: tolerated share, strictly within 0 to 1.
        confidence: strictly within 0 to 1.
        late: late answers to allow for.

    Returns:
        Number of stimuli: 2995 for one in a thousand with 95 % and no late answer.
    """
    return wilks_count(1.0 - target, confidence, order=late + 1)


def _outcome(forbidden: int, lower: float, upper: float, goal: float) -> Outcome:
    if forbidden or lower > goal:
        return "fail"
    return "pass" if upper <= goal else "not enough data"


def _more(seen: Disturbances, allowed: int, goal: float, confidence: float) -> tuple[int | None, Outcome | None]:
    """Stimuli still missing, and what they would decide, if late answers keep their share and their groups."""
    share = seen.late / seen.stimuli
    if share == goal:
        return None, None
    if share < goal:
        more = _to_pass(seen, allowed, goal, confidence)
        return more, None if more is None else "pass"
    total = _first(seen.stimuli, lambda n: seen.after(n, math.floor(share * n)).at_least(confidence) > goal)
    return (None, None) if total is None else (total - seen.stimuli, "fail")


def _to_pass(seen: Disturbances, together: int, goal: float, confidence: float) -> int | None:
    """Stimuli still missing for a pass that holds for groups of that size; None where no number would do."""
    share = seen.late / seen.stimuli
    if share >= goal:
        return None
    # No late answer so far is taken to mean none later; otherwise late answers come in whole numbers.
    total = _first(
        seen.stimuli, lambda n: seen.after(n, math.ceil(share * n)).at_most(confidence, together) <= goal
    )  # fmt: skip
    return None if total is None else total - seen.stimuli


def _first(stimuli: int, decides: Callable[[int], bool]) -> int | None:
    """The fewest stimuli beyond so many that decide; None above a million million."""
    low, high = stimuli, 2 * stimuli
    while not decides(high):
        low, high = high, 2 * high
        if high > _MOST_STIMULI:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high
