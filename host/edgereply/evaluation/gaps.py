"""What became of the pairs of a run whose stimuli came in pairs: by gap, and from which gap on none need be feared.

A pair is settled by what matching says of its two stimuli where it says it of both. Where two edges came so close that
matching cannot tell whose the one answer is, the pair still has a fate: how many answers there were between its first
stimulus and the next pair's. That is used only where all of them came within the rest that separates pairs.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from edgereply.analysis.arrays.aliases import Bools, Int64s, Uint8s
from edgereply.analysis.arrays.ladder import ladder
from edgereply.analysis.arrays.presence import NO_STAMP
from edgereply.analysis.lateness.dead_time import (
    CONFIDENCE,
    SHARE,
    DeadTime,
    Fate,
    GapStep,
    dead_time,
    find_pairs,
    gap_steps,
    pooled_steps,
)
from edgereply.analysis.pairing.result import Status
from edgereply.wording.numbers import duration, exactly, listing, percentage, range_words

PAIRS = "pairs"
DEAD_TIME = "dead time"
DEAD_TIME_NOTE = (
    f"Dead time: the gap from which on at least {percentage(SHARE)} of two edges are both answered, with "
    f"{percentage(CONFIDENCE)} confidence."
)
# A gap so many usual reaction times long is as good as alone.
REACTIONS = 3
_KINDS = {
    "late": "answered late",
    "coalesced": "with one answer for both",
    "missed": "with an edge that got none",
    "unknown": "not known",
}


@dataclass(frozen=True, slots=True)
class Gaps:
    """The pairs of a run.

    Attributes:
        steps: by gap, rising.
        dead_time: from which gap on a pair is answered.
        median_ns: of the reaction times of the run; None where nothing was answered.
        deadline_ns: later answers count as late.
    """

    steps: list[GapStep]
    dead_time: DeadTime
    median_ns: int | None
    deadline_ns: int | None

    @property
    def pairs(self) -> int:
        """All that were found."""
        return sum(step.pairs for step in self.steps)

    @property
    def clear_from_ns(self) -> int | None:
        """The shortest gap from which on every pair of this run was answered; None where the longest had losses."""
        found: int | None = None
        for step in reversed(self.steps):
            if step.lost:
                break
            found = step.low_ns
        return found

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "pairs": self.pairs,
            "steps": [
                {
                    "step_ns": step.step_ns,
                    "gap_ns": [step.low_ns, step.high_ns],
                    "pairs": step.pairs,
                    **{fate.name.lower(): getattr(step, fate.name.lower()) for fate in Fate},
                    "answered_ci95": [step.interval.low, step.interval.high],
                }
                for step in self.steps
            ],
            "clear_from_ns": self.clear_from_ns,
            "dead_time": asdict(self.dead_time),
            "sentences": self.sentences(),
        }

    @property
    def cell(self) -> str:
        """The dead time in a table's cell, or that there is none."""
        found = self.dead_time
        if found.gap_ns is not None:
            return duration(found.gap_ns)
        return "none found" if found.failed_ns is not None else f"needs {found.needed:,} pairs a gap"

    def sentences(self) -> list[str]:
        """What the pairs say, the dead time first."""
        answered = "answered" if self.deadline_ns is None else f"answered within {exactly(self.deadline_ns)}"
        return [line for line in (self._proven(answered), self._seen(answered), self._short()) if line]

    def _proven(self, answered: str) -> str:
        found, kept = self.dead_time, percentage(SHARE)
        sure = f"{CONFIDENCE:.0%}".replace("%", " %") + " confidence"
        if found.gap_ns is not None:
            told = (
                f"Dead time: two edges {duration(found.gap_ns)} or more apart are both {answered} in at least {kept} "
                f"of cases ({sure}, {found.pairs:,} pairs)."
            )
            if found.failed_ns is not None:
                told += f" Of those {gap_words(*found.failed_ns)} apart that is not so, or not sure."
            elif found.untested_ns is not None:
                told += f" Below, there are too few pairs to say: a claim takes {found.needed:,} a gap."
            return told
        if found.failed_ns is not None:
            return (
                f"No dead time found: even of edges {gap_words(*found.failed_ns)} apart it is not sure that {kept} "
                f"are {answered}. Look at longer gaps, with a lower rate or a longer longest_gap."
            )
        return (
            f"No dead time can be named: a claim of {kept} takes {found.needed:,} pairs a gap, and there are "
            f"{self.pairs:,} pairs in all. Measure longer, or fewer gaps, with shortest_gap and longest_gap closer "
            "together."
        )

    def _seen(self, answered: str) -> str:
        clear = self.clear_from_ns
        if clear is None:
            last = self.steps[-1]
            return (
                f"In this run {last.lost:,} of the {last.pairs:,} pairs with the longest gaps, "
                f"{gap_words(last.low_ns, last.high_ns)}, were not {answered}."
            )
        pairs = sum(step.pairs for step in self.steps if step.low_ns >= clear)
        below = [step for step in self.steps if step.low_ns < clear]
        told = f"In this run all {pairs:,} pairs {duration(clear)} or more apart were {answered}"
        if not below:
            return told + ": no edge was lost at any gap."
        lost, among = sum(step.lost for step in below), sum(step.pairs for step in below)
        kinds = {name: sum(getattr(step, name) for step in below) for name in _KINDS}
        kinds_words = listing([f"{count:,} {_KINDS[name]}" for name, count in kinds.items() if count])
        return f"{told}; of the {among:,} closer ones {lost:,} were not: {kinds_words}."

    def _short(self) -> str:
        longest = self.steps[-1].high_ns
        if self.median_ns is None or longest >= REACTIONS * self.median_ns:
            return ""
        return (
            f"The longest gap, {duration(longest)}, is less than {REACTIONS} usual reaction times "
            f"({duration(self.median_ns)} each): what happens beyond is not known."
        )


def gap_words(low_ns: int, high_ns: int) -> str:
    """Gaps from one to another in words, or the one that both come to."""
    low, high = duration(low_ns), duration(high_ns)
    return low if low == high else range_words(low_ns, high_ns)


def together(runs: Sequence[Gaps | None]) -> Gaps | None:
    """Rounds of one condition as one; None where one of them has no pairs."""
    known = [run for run in runs if run is not None]
    if not known or len(known) < len(runs):
        return None
    steps = pooled_steps([run.steps for run in known])
    return replace(known[0], steps=steps, dead_time=dead_time(steps))


def gaps_of(
    plan: Mapping[str, Any],
    stimulus_ns: Int64s,
    rise_ns: Int64s,
    status: Uint8s,
    reaction_ns: Int64s,
    deadline_ns: int | None,
) -> Gaps | None:
    """Sort the pairs of a run by their gap and what became of them.

    Args:
        plan: as it took effect; of any pattern.
        stimulus_ns: int64[n], sorted, by the source's clock.
        rise_ns: int64[r], sorted: every answer's beginning by the same clock.
        status: uint8[n], `Status`.
        reaction_ns: int64[n], `NO_STAMP` where there is none.
        deadline_ns: later answers count as late; None counts none.

    Returns:
        None for a plan without pairs, or a run that has none.
    """
    if plan.get("pattern") != PAIRS or not plan.get("shortest_gap_ns"):
        return None
    first = find_pairs(stimulus_ns, plan["period_ns"])
    if not first.size:
        return None
    fate = _fates(first, stimulus_ns, rise_ns, status, reaction_ns, deadline_ns, plan["period_ns"])
    gap = stimulus_ns[first + 1] - stimulus_ns[first]
    steps = gap_steps(gap, fate, ladder(plan["shortest_gap_ns"], plan["longest_gap_ns"]))
    answers = reaction_ns[reaction_ns != NO_STAMP]
    return Gaps(steps, dead_time(steps), int(np.median(answers)) if answers.size else None, deadline_ns)


def _fates(
    first: Int64s,
    stimulus: Int64s,
    rise: Int64s,
    status: Uint8s,
    reaction: Int64s,
    deadline_ns: int | None,
    rest_ns: int,
) -> Uint8s:
    second = first + 1
    begins, again = stimulus[first], stimulus[second]
    ends = np.append(stimulus, np.iinfo(np.int64).max)[second + 1]
    after_first, after_second, over = (np.searchsorted(rise, edges) for edges in (begins, again, ends))
    answers = over - after_first
    # Of one answer for two stimuli: it came when both were there, or before the second.
    shared = (answers == 1) & (over > after_second)
    by_count = np.select(
        [answers >= 2, shared], [_by_time(rise, over, again, deadline_ns), np.full(len(first), Fate.COALESCED)],
        Fate.MISSED,
    )  # fmt: skip
    last = np.append(rise, 0)[over - 1] if rise.size else np.zeros(len(first), np.int64)
    prompt: Bools = (answers == 0) | (last - again < rest_ns)
    unknown = _is(status, first, Status.AMBIGUOUS) | _is(status, second, Status.AMBIGUOUS)
    unwatched = _is(status, first, Status.UNOBSERVED) | _is(status, second, Status.UNOBSERVED)
    both = _is(status, first, Status.PAIRED) & _is(status, second, Status.PAIRED)
    late = np.zeros(len(first), np.bool_)
    if deadline_ns is not None:
        late = (reaction[first] > deadline_ns) | (reaction[second] > deadline_ns)
    one = _is(status, first, Status.PAIRED) ^ _is(status, second, Status.PAIRED)
    served = np.where(_is(status, second, Status.PAIRED), True, reaction[first] >= again - begins)
    settled = np.select(
        [both & late, both, one & served], [Fate.LATE, Fate.ANSWERED, Fate.COALESCED], Fate.MISSED
    )  # fmt: skip
    fate = np.where(unknown, np.where(prompt, by_count, Fate.UNKNOWN), settled)
    return np.where(unwatched, Fate.UNKNOWN, fate).astype(np.uint8)


def _by_time(rise: Int64s, over: Int64s, again: Int64s, deadline_ns: int | None) -> Int64s:
    """Answered, or late where the last answer came after the deadline of the second stimulus."""
    if deadline_ns is None or not rise.size:
        return np.full(len(over), Fate.ANSWERED)
    return np.where(rise[over - 1] - again > deadline_ns, Fate.LATE, Fate.ANSWERED)


def _is(status: Uint8s, index: Int64s, what: Status) -> Bools:
    return np.asarray(status[index] == what)
