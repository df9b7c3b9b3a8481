"""Does the board keep its deadline: pass, fail, or not enough data and how much more.

A missed stimulus counts as late: its answer came after any deadline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from edgereply.analysis.arrays.aliases import Bools, Int64s
from edgereply.analysis.arrays.bits import Bits, pack
from edgereply.analysis.arrays.distributions import beta_ppf
from edgereply.analysis.statistics.exceedances import Exceedances, share_dependence
from edgereply.analysis.statistics.intervals import ProbabilityInterval, clopper_pearson, probability_upper_bound

Outcome = Literal["pass", "fail", "not enough data"]

# Without a target no answer may be late, and a run must at least rule out one late answer in a hundred.
UNSTATED_TARGET = 0.01
_MOST_STIMULI = 10**12


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
        interval: two-sided Clopper-Pearson interval for the probability of being late.
        upper_bound: one-sided; with no late answer the exact form of the rule of three.
        lower_bound: one-sided.
        effective_stimuli: independent stimuli the run is worth; fewer where late answers cluster.
        clustered: whether they do, so that all bounds use the effective number.
        more_stimuli: how many more would decide if late answers keep their share; None when decided, or
            when no number of stimuli would (the share is the target itself).
        would: the outcome those would then give.
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
    more_stimuli: int | None
    would: Outcome | None


def judge(
    reaction_ns: Int64s,
    answered: Bools,
    deadline_ns: int,
    confidence: float = 0.95,
    target: float | None = None,
) -> Verdict:
    """Judge one run against a deadline.

    Args:
        reaction_ns: shape (n,), int64, nanoseconds, one a stimulus in order of time; ignored where not
            answered.
        answered: shape (n,), bool.
        deadline_ns: an answer later than this is late.
        confidence: strictly within 0 to 1.
        target: tolerated share of late answers, strictly within 0 to 1; None tolerates none.

    Returns:
        See `Verdict`.

    Raises:
        ValueError: unequal arrays, no stimulus, or a number out of range.
    """
    if reaction_ns.shape != answered.shape:
        raise ValueError(f"one mark a stimulus, got {answered.size} for {reaction_ns.size}")
    return judge_marks(pack(~answered | (reaction_ns > deadline_ns)), deadline_ns, confidence, target)


def judge_marks(is_late: Bits, deadline_ns: int, confidence: float = 0.95, target: float | None = None) -> Verdict:
    """The same, from one bit a stimulus, in order of time: answered late or not at all.

    Raises:
        ValueError: no stimulus, or a number out of range.
    """
    if is_late.count == 0:
        raise ValueError("a verdict takes at least one stimulus")
    if target is not None and not 0.0 < target < 1.0:
        raise ValueError(f"a tolerated share lies strictly within 0 to 1, got {target!r}")
    stimuli, late = is_late.count, is_late.ones
    tail = share_dependence(Exceedances(is_late, is_late), confidence)
    # Where blocks are too few to judge, the late answers are taken as one single cluster.
    worth = tail.effective_count or min(stimuli / max(late, 1), float(stimuli))
    events = late * worth / stimuli
    upper = probability_upper_bound(events, worth, confidence)
    lower = 1.0 - probability_upper_bound(worth - events, worth, confidence)
    goal = UNSTATED_TARGET if target is None else target
    outcome = _outcome(late if target is None else 0, lower, upper, goal)
    more, would = None, None
    if outcome == "not enough data":
        more, would = _more(late, stimuli, stimuli / worth, goal, confidence)
    return Verdict(
        outcome=outcome,
        deadline_ns=deadline_ns,
        target=target,
        confidence=confidence,
        stimuli=stimuli,
        late=late,
        interval=clopper_pearson(events, worth, confidence),
        upper_bound=upper,
        lower_bound=lower,
        effective_stimuli=worth,
        clustered=tail.block_length > 1,
        more_stimuli=more,
        would=would,
    )


def _outcome(forbidden: int, lower: float, upper: float, goal: float) -> Outcome:
    if forbidden or lower > goal:
        return "fail"
    return "pass" if upper <= goal else "not enough data"


def _more(
    late: int, stimuli: int, inflation: float, goal: float, confidence: float
) -> tuple[int | None, Outcome | None]:
    """Stimuli still missing, and what they would decide, if late answers keep their share."""
    share = late / stimuli
    if share == goal:
        return None, None
    would: Outcome = "pass" if share < goal else "fail"

    def decides(total: int) -> bool:
        # No late answer so far is taken to mean none later; otherwise late answers come in whole numbers.
        worth, events = total / inflation, math.ceil(share * total) / inflation
        if would == "pass":
            return probability_upper_bound(events, worth, confidence) <= goal
        events = math.floor(share * total) / inflation
        return events > 0 and beta_ppf(1.0 - confidence, events, worth - events + 1.0) > goal

    low, high = stimuli, 2 * stimuli
    while not decides(high):
        low, high = high, 2 * high
        if high > _MOST_STIMULI:
            return None, None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decides(middle) else (middle, high)
    return high - stimuli, would
